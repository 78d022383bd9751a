// Package alerts decides when to wake someone. It is the alarm machine of ISA-18.2 /
// IEC 62682 ([Engine]) and the list of every alarm the program has ([Catalogue]).
//
// A [Rule] is data: an id, a priority, delays, what it means, what to do, and a test that
// answers yes, no or unknown from the facts of a tick. Unknown neither raises nor clears.
// All delays are in seconds of Up, never in ticks. The engine reads no clock, so an alarm
// can be replayed.
package alerts

import (
	"time"

	"frostline/daemon/estimate"
	"frostline/daemon/nights"
	"frostline/sensors"
)

// State is one of the nine states of an alarm (sensing.md 6.1).
type State uint8

// The nine states, in the order and with the letters of the transition table.
const (
	Normal         State = iota // A
	Unacked                     // B active, unacknowledged; the only state that sounds
	Acked                       // C active, acknowledged
	Returned                    // D condition gone, unacknowledged, not latching
	LatchedUnacked              // E condition gone, latched, unacknowledged
	LatchedAcked                // F condition gone, latched, acknowledged
	Shelved                     // G
	Suppressed                  // H by design
	OutOfService                // I
)

// Priority orders alarms. Critical and High break quiet hours.
type Priority uint8

// The four priorities of sensing.md 6.4.
const (
	Low Priority = iota
	Medium
	High
	Critical
)

// Setpoints are the limits an owner may move, compiled from the configuration.
type Setpoints struct {
	PipeC        float64 // coldest pipe, default 2
	BatteryV     float64 // house battery, default 11.8
	Zone         *time.Location
	QuietFromMin int // minutes after local midnight; equal ends mean no quiet hours
	QuietToMin   int
	NightFromMin int // when "at night" priorities hold
	NightToMin   int
	WaterDrained bool   // suppresses the pipe alarm
	Stored       bool   // van stored: suppresses comfort alarms
	Broker       bool   // an MQTT broker is configured
	Sounder      bool   // a sounder is configured
	RequalifyBy  string // YYYY-MM after which the cylinder needs requalification; "" unknown
}

// Facts is what a rule may test: beliefs, tonight, and the program's own health.
type Facts struct {
	Stamp    sensors.Stamp
	Est      *estimate.Estimates
	Tonight  *nights.Tonight
	LostGap  time.Duration // length of the last gap in monitoring when Lost
	Lost     bool          // the program died and came back; true until the first minute has passed
	GapKnown bool          // whether LostGap is a length or only "unknown"
	AtNight  bool          // within Setpoints.NightFromMin..NightToMin of a trusted clock, or the clock is untrusted
}

// Status is one alarm as it stands after a tick.
type Status struct {
	ID             string
	Title          string
	Meaning        string
	Action         string // what to do first
	Runbook        string // path of its page in the documentation
	State          State
	Priority       Priority
	Quality        sensors.Quality // of what it rests on: Good, Suspect (degraded), Bad
	Why            string          // the numbers behind it, as of the last change
	SinceUp        time.Duration   // when State was entered
	SinceWall      time.Time
	Sounding       bool // wants sound now; quiet hours already considered
	ShelvedUntilUp time.Duration
	SuppressedBy   string // the named rule, when Suppressed
	Latches        bool
	CanShelve      bool
	Silent         bool   // a page notice that never sounds
	RaisedN        uint64 // times raised since the first start
}

// Transition is one change of state of one alarm. Everything outside hears of alarms
// through these.
type Transition struct {
	Kind     string `json:"kind"` // always "alarm"
	ID       string `json:"id"`
	From     string `json:"from"`
	To       string `json:"to"`
	Priority string `json:"priority"`
	Why      string `json:"why"`
	Actor    string `json:"actor,omitempty"` // who acknowledged, reset or shelved
}
