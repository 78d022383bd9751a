package alerts

import (
	"time"

	"frostline/sensors"
)

// Truth is the answer of a rule's test. The zero value is Unknown, so that a test that
// says nothing neither raises nor clears.
type Truth uint8

// The three answers.
const (
	Unknown Truth = iota
	False
	True
)

// Rule is one alarm as data.
type Rule struct {
	ID            string
	Class         Class
	Priority      Priority // by day
	NightPriority Priority // at night, if higher
	// Escalate raises the priority further by what else is known; nil for most.
	Escalate func(*Facts) Priority

	OnDelay  time.Duration // the condition must have held this long
	OffDelay time.Duration // and must have been gone this long
	ReAlarm  time.Duration // sound again after this long while it stands; 0 means never

	Latch           bool // once raised, only a person's reset returns it to normal
	CanShelve       bool
	CanLeaveService bool
	Silent          bool // a page notice that never sounds
	BreaksQuiet     bool // sounds in quiet hours whatever its priority
	SendsOut        bool // its first action is to leave: while it stands, no other action comes first
	ReAnnounce      bool // found acknowledged after a restart, it sounds again

	Title   string
	Meaning string
	Action  string              // the first thing to do comes first
	Advise  func(*Facts) string // what to do where the facts tell more than Action knows; nil or "" is Action
	Runbook string
	Fell    string // how the end of the condition is worded, after "now" too; "" is "condition gone"
	Joined  string // how a part that joins is worded; "" is "one more"
	Cause   string // while one alarm of a cause stands, others of it are suppressed; "" has none
	OnReset string // said with every reset

	// Test says whether the condition holds; active is whether it held before, for the
	// deadband. It allocates nothing: it runs every tick.
	Test func(f *Facts, active bool) Truth
	// Parts is a set of up to 64 things that may be behind the condition, nil for most: one
	// that joins while the alarm stands sounds anew.
	Parts func(*Facts) uint64
	// Rests is the quality of what Test rests on; nil means Good,
	// and Missing where Test is Unknown.
	Rests func(*Facts) sensors.Quality
	// Why puts numbers to the answer, whichever it was. It is asked only when something
	// changed.
	Why func(*Facts) string
	// Suppressed names the suppression that holds now, "" if none; nil if there is none.
	Suppressed func(*Facts) string
}

// Names of the suppressions by design. They are always shown.
const (
	CylinderRemoved     = "cylinder removed"
	WaterDrained        = "water drained"
	VanStored           = "van stored"
	BrokerNotConfigured = "broker not configured"
	SameCause           = "another alarm of this cause stands"
)
