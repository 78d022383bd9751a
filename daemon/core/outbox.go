package core

import "time"

// OutboxRow is one alarm transition that waits to leave the process. The store writes it in
// the transaction of its event and gives it out, oldest first, until it is told that the
// path has delivered it.
type OutboxRow struct {
	ID           int64     // of the row; grows with every row
	Seq          uint64    // of the event
	Boot         string    // run of the program that raised it
	Body         []byte    // JSON of the [Event]
	Recorded     time.Time // wall label when the row was written; differs from the event's own when that was re-dated
	ClockTrusted bool      // whether the event's own wall label can be believed
}
