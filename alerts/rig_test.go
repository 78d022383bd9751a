package alerts

import (
	"encoding/json"
	"testing"
	"time"

	"frostline/daemon/estimate"
	"frostline/daemon/nights"
	"frostline/sensors"
)

const (
	rigOn    = 5 * time.Second
	rigOff   = 20 * time.Second
	rigAgain = 120 * time.Second
)

// rig is an engine with one alarm whose condition, sensor and suppression the test holds in
// its hands.
type rig struct {
	t     tester
	e     *Engine
	rule  Rule
	set   Setpoints
	truth Truth
	by    string
	up    time.Duration
	wall  time.Time
	facts Facts
	last  []Transition // of the last Step or verb
}

type tester interface {
	Helper()
	Fatalf(string, ...any)
}

func newRig(t tester, latch bool) *rig {
	r := &rig{t: t, truth: False, wall: time.Date(2026, 11, 25, 2, 0, 0, 0, time.UTC),
		facts: Facts{Est: &estimate.Estimates{ClockTrusted: true}, Tonight: &nights.Tonight{}}}
	r.rule = Rule{ID: "x", Priority: Critical, OnDelay: rigOn, OffDelay: rigOff, ReAlarm: rigAgain, Latch: latch,
		CanShelve: true, CanLeaveService: true,
		Test:       func(*Facts, bool) Truth { return r.truth },
		Suppressed: func(*Facts) string { return r.by }}
	r.make()
	return r
}

func (r *rig) make() {
	r.e = NewEngine([]Rule{r.rule}, r.set)
	r.step(time.Second)
}

func (r *rig) stamp() sensors.Stamp { return sensors.Stamp{Up: r.up, Wall: r.wall} }

func (r *rig) step(dt time.Duration) {
	r.up += dt
	r.wall = r.wall.Add(dt)
	r.facts.Stamp = r.stamp()
	r.last = r.e.Step(&r.facts)
}

// hold steps by the second with the truth given.
func (r *rig) hold(tr Truth, d time.Duration) {
	r.truth = tr
	var all []Transition
	for end := r.up + d; r.up < end; {
		r.step(time.Second)
		all = append(all, r.last...)
	}
	r.last = all
}

func (r *rig) status() Status { return r.e.Status()[0] }

func (r *rig) want(s State, when string) {
	r.t.Helper()
	if got := r.status().State; got != s {
		r.t.Fatalf("%s: alarm is %v, want %v", when, got, s)
	}
}

// verb gives one of the operator's verbs and reports whether it was refused.
func (r *rig) verb(name string) error {
	var err error
	switch name {
	case "ACK":
		r.last, err = r.e.Ack("x", "ann", r.stamp())
	case "RESET":
		r.last, err = r.e.Reset("x", "ann", r.stamp())
	case "SHELVE":
		r.last, err = r.e.Shelve("x", "ann", time.Hour, r.stamp())
	case "UNSHELVE":
		r.last, err = r.e.Unshelve("x", "ann", r.stamp())
	case "OOS+":
		r.last, err = r.e.OutOfService("x", "ann", r.stamp())
	case "OOS-":
		r.last, err = r.e.InService("x", "ann", r.stamp())
	default:
		r.t.Fatalf("no verb %q", name)
	}
	return err
}

func (r *rig) do(name string) {
	r.t.Helper()
	if err := r.verb(name); err != nil {
		r.t.Fatalf("%s was refused: %v", name, err)
	}
}

// restart is a kill and a new boot: state through JSON, Up from zero.
func (r *rig) restart() {
	b, err := json.Marshal(r.e.Save())
	if err != nil {
		r.t.Fatalf("save: %v", err)
	}
	var s Saved
	if err := json.Unmarshal(b, &s); err != nil {
		r.t.Fatalf("restore: %v", err)
	}
	r.e = NewEngine([]Rule{r.rule}, r.set)
	r.e.Restore(s)
	r.up = 0
}

// reach brings the alarm into a state. For G, H and I it says whether the condition is on
// there: "off", "on", or "was" (it had been on when the alarm went there, and is off now).
func (r *rig) reach(s State, cond string) {
	r.t.Helper()
	raise := func() { r.hold(True, rigOn+2*time.Second) }
	switch s {
	case Unacked:
		raise()
	case Acked:
		raise()
		r.do("ACK")
	case Returned, LatchedUnacked:
		raise()
		r.hold(False, rigOff+2*time.Second)
	case LatchedAcked:
		r.reach(LatchedUnacked, "")
		r.do("ACK")
	case Shelved, Suppressed, OutOfService:
		if cond != "off" {
			raise()
		}
		switch s {
		case Shelved:
			r.do("SHELVE")
		case OutOfService:
			r.do("OOS+")
		case Suppressed:
			r.by = CylinderRemoved
			r.step(time.Second)
		}
		if cond == "was" {
			r.hold(False, rigOff+2*time.Second)
		}
	}
	r.want(s, "on the way to the cell")
}

func TestStatusIsNotChangedOnceHandedOut(t *testing.T) {
	r := newRig(t, true)
	before := r.e.Status()
	r.step(time.Second)
	if same := r.e.Status(); &same[0] != &before[0] {
		t.Errorf("a quiet tick made another status slice")
	}
	r.hold(True, 10*time.Second)
	if before[0].State != Normal {
		t.Errorf("a status handed out before the alarm now says %v", before[0].State)
	}
	if after := r.e.Status(); after[0].State != Unacked {
		t.Errorf("status after the alarm says %v", after[0].State)
	}
}
