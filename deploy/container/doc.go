// Package container holds what runs rigledger in containers, with an external
// NATS server and MongoDB: Dockerfile, compose.yaml, nats.conf, replica-set.js,
// and the two small programs that go into the images beside rigledger. Its tests
// start the NATS server from nats.conf and hold the files against the program.
// Nothing of rigledger imports it.
package container
