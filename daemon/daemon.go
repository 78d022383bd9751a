// Package daemon is the shell around the core: it turns a clock into ticks. Each tick reads
// the [Source], takes at most one command, steps the core and delivers the snapshot to the
// outputs in safety order.
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
