// Package document has what the API says of itself: the OpenAPI document, the
// AsyncAPI document of the messages over NATS and MQTT, the JSON Schemas of what rigs
// publish and of plans, and the page /docs, which is the OpenAPI document for people.
//
// It owns these texts. A test holds the table of routes to the document, another
// every example, and api/fuzz every answer.
//
// It never says anything twice: the page is made of the document, without script.
package document
