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

// String is the word used in events, metrics, the page and saved state.
func (s State) String() string {
	switch s {
	case Normal:
		return "normal"
	case Unacked:
		return "unacknowledged"
	case Acked:
		return "acknowledged"
	case Returned:
		return "returned-to-normal"
	case LatchedUnacked:
		return "latched-unacknowledged"
	case LatchedAcked:
		return "latched-acknowledged"
	case Shelved:
		return "shelved"
	case Suppressed:
		return "suppressed-by-design"
	case OutOfService:
		return "out-of-service"
	}
	return "unknown"
}

// States lists the nine states in the order of the transition table.
func States() []State {
	return []State{Normal, Unacked, Acked, Returned, LatchedUnacked, LatchedAcked, Shelved, Suppressed, OutOfService}
}

// Standing reports whether a person should see the alarm now: its condition holds, or held
// and is not yet dealt with. Shelved, suppressed and out of service are listed apart.
func (s State) Standing() bool { return s >= Unacked && s <= LatchedAcked }

// Priority orders alarms. Critical and High break quiet hours.
type Priority uint8

// The four priorities of sensing.md 6.4.
const (
	Low Priority = iota
	Medium
	High
	Critical
)

// String is the word of sensing.md 6.4 in lower case.
func (p Priority) String() string {
	switch p {
	case Critical:
		return "critical"
	case High:
		return "high"
	case Medium:
		return "medium"
	}
	return "low"
}

// Severity is the word people and machines outside get (conventions.md 1.5): critical for
// critical and high, so a gas pre-warning is never held back; warning for medium; info for
// low.
func (p Priority) Severity() string {
	switch p {
	case Critical, High:
		return "critical"
	case Medium:
		return "warning"
	}
	return "info"
}

// Class says what an alarm is about. The glove button and the restart treat gas and carbon
// monoxide apart from the rest.
type Class string

// What alarms are about.
const (
	ClassGas      Class = "gas"             // gas where it must not be, or nobody watching for it
	ClassCO       Class = "carbon-monoxide" // the CO alarm's own contact
	ClassHeat     Class = "heat"            // the heating fails or is about to
	ClassWater    Class = "water"
	ClassPower    Class = "power"
	ClassFuel     Class = "fuel"
	ClassCylinder Class = "cylinder"
	ClassProgram  Class = "program" // frostline itself: sensors, clock, store, messages
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
	RequalifyBy  string // YYYY-MM in which the cylinder needs requalification; "" unknown
}

// Defaults are the setpoints of a van whose owner moved none of them. Sound is not held
// back at any hour until quiet hours are configured.
func Defaults() Setpoints {
	return Setpoints{
		PipeC:        2,    // sensing.md 6.4
		BatteryV:     11.8, // blowers run but ignition boards get doubtful below 11 to 12 V, sensing.md 7
		Zone:         time.UTC,
		NightFromMin: 20 * 60,
		NightToMin:   8 * 60,
	}
}

// Night reports whether wall is within the hours when night priorities hold. Without a
// trusted clock it is always night: a pipe alarm that sounds by day costs less than one
// that does not sound at three in the morning.
func (s Setpoints) Night(wall time.Time, trusted bool) bool {
	return !trusted || s.within(wall, s.NightFromMin, s.NightToMin)
}

// Quiet reports whether wall is within quiet hours. Without a trusted clock there are none.
func (s Setpoints) Quiet(wall time.Time, trusted bool) bool {
	return trusted && s.within(wall, s.QuietFromMin, s.QuietToMin)
}

// within reports whether the local minute of wall lies in [from, to), over midnight if
// from is the later one.
func (s Setpoints) within(wall time.Time, from, to int) bool {
	now := s.localMin(wall)
	if from <= to {
		return from <= now && now < to
	}
	return now >= from || now < to
}

// localMin is the minute of the day on the van's own clock.
func (s Setpoints) localMin(wall time.Time) int {
	hour, minute, _ := s.local(wall).Clock()
	return hour*60 + minute
}

func (s Setpoints) local(wall time.Time) time.Time {
	if s.Zone == nil {
		return wall.UTC()
	}
	return wall.In(s.Zone)
}

// Facts is what a rule may test: beliefs, tonight, and the program's own health.
type Facts struct {
	Stamp    sensors.Stamp
	Est      *estimate.Estimates
	Tonight  *nights.Tonight
	LostGap  time.Duration // length of the last gap in monitoring when Lost
	Lost     bool          // the program died and came back; true until the first minute has passed
	GapKnown bool          // whether LostGap is a length or only "unknown"
	AtNight  bool          // filled in by Engine.Step: within NightFromMin..NightToMin of a trusted clock, or the clock is untrusted
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
	Why            string          // the numbers behind it, not older than a minute while it holds, else as of its last change
	SinceUp        time.Duration   // when State was entered
	SinceWall      time.Time
	Sounding       bool // wants sound now; quiet hours already considered
	ShelvedUntilUp time.Duration
	SuppressedBy   string // the named rule, when Suppressed
	Latches        bool
	CanShelve      bool
	Silent         bool          // a page notice that never sounds
	SendsOut       bool          // its first action is to leave the van
	BreaksQuiet    bool          // sounds and is told in quiet hours whatever its priority
	Class          Class         // what it is about
	CanLeave       bool          // may be taken out of service
	ReAlarm        time.Duration // sounds again after this long while it stands; 0 means never
	SoundN         uint64        // grows by one each time the sound starts anew: raised, re-alarmed, found standing after a restart
	RaisedN        uint64        // times raised since the first start
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

// Raised reports whether the alarm was raised by it: one that stood already and is said again,
// as more urgent, as still standing or after a restart, is the same alarm.
func (t *Transition) Raised() bool {
	standing := t.From == Unacked.String() || t.From == Acked.String()
	return t.To == Unacked.String() && !standing
}
