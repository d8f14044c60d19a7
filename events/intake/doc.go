// Package intake is the road from the rigs: it owns the NATS subjects, the
// stream that buffers what rigs send, who may say and hear what on the wire,
// the reading of CloudEvents, and the acknowledgements that go back to rigs.
//
//	rig.<rig>.reading|defect|condition   from a rig: a CloudEvents 1.0 JSON event, or an array of them
//	rig.<rig>.ack                        to a rig: {"boot":3,"seq":18231}, what is durable
//	ledger.<kind>.<rig>                  to other software: facts that were committed
//
// Over MQTT the dots are slashes. Broker receipts (JetStream's answer, MQTT's
// PUBACK) prove nothing about the ledger; the rig's proof is rig.<rig>.ack
// alone, and only a document with both boot and seq is one (see ParseAck).
//
// A message is acknowledged, to the stream and to the rig, only after the Desk
// said that all of it is durable: as facts or in quarantine. What cannot be
// read is handed on with its fault, never dropped. Messages may reach the Desk
// twice or out of order; deciding what is new is the Desk's business.
//
// The package decides nothing about readings and keeps no record: the stream
// is a buffer that is emptied behind the Desk.
package intake
