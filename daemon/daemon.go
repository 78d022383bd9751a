// Package daemon is the shell around the core: it turns a clock into ticks. Each tick reads
// the [Source], takes at most one command, steps the core and delivers the snapshot to the
// outputs in the order in which they matter to a sleeper: sounder, page, history, MQTT.
//
// The goroutines of a running program, and why each is one:
//
//   - the tick loop ([Loop.Run]) owns the core, so no lock guards the domain, and alone feeds
//     the watchdog, which therefore means that a whole tick happened;
//   - one per bus of sensors/hw: a read that hangs in the kernel cannot be killed and must
//     hold up nothing else;
//   - one per sounder line: it plays patterns, and its own when the loop has died;
//   - the history writer: a card may take seconds to sync, or for ever;
//   - the announcer of MQTT, and one for each of webhook and mail that is configured, with at
//     most one question to the store on behalf of each: a broker, a web server or a mail server
//     that hangs for its whole time limit must not hold up what another would take at once;
//   - one that waits for SIGHUP;
//   - what net/http and the MQTT client bring, and for the length of a write one that notes on
//     the disk when a paired phone was seen.
package daemon

import (
	"context"

	"frostline/daemon/core"
	"frostline/sensors"
)

// Source fills one tick's readings, in the order of the wiring it was made for, and says
// when it did. It returns within the context's deadline with whatever has arrived by then;
// a silent chip is a Bad reading, not an error. An error means the source is at its end.
type Source interface {
	Read(ctx context.Context, into []sensors.Reading) (sensors.Stamp, error)
}

// Output takes snapshots out of the process. Deliver never blocks: a slow output owns a
// bounded queue. Health reports the output's own state as readings of health channels,
// which enter the next Input, so a full disk is an alarm like any other.
type Output interface {
	Deliver(*core.Snapshot)
	Health(report func(sensors.Channel, sensors.Reading))
}
