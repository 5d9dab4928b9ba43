// Package operator is the way in for people and scripts: HTTP with JSON over a unix socket, a server and a typed client.
//
// Reads are GET, changes are POST. A change names the run and stage it was meant for and is refused when they have moved
// on; it carries a reason, and one that sets the air carries its expiry. It is answered after it was done or refused, with
// one sentence. The socket's group is the access rule; who the peer is goes into the log with each order. Requests are
// bounded in size, number and time. Nothing here listens on a network.
//
// Keys carry their units and are only ever added to. Paths:
//
//	GET  /v1/status   controller.Status
//	GET  /v1/watch    the same, one JSON line at each change; ?every_seconds=N at most every N seconds
//	GET  /v1/trips    its trips            GET  /v1/alarms   its alarms
//	POST /v1/command  Request -> Done      POST /v1/charge   StartRequest -> Done
//
// Whatever is not answered with 200 carries an Error. The package may import controller and hardware's nouns; the loop is
// handed in as a Kiln.
package operator
