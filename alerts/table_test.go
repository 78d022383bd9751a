package alerts

import (
	"strings"
	"testing"
	"time"

	"frostline/sensors"
)

// cell is one cell of the transition table of sensing.md 6.2. Kind says which alarms it is
// for: L latching, N not, LN both. Cond is the condition in G, H and I.
type cell struct {
	state State
	kind  string
	input string
	cond  string
	want  State
	rej   bool
}

// cells is the table, row by row. Three places say more than its letters. What a latching
// alarm does when it leaves H or I is what G says (its condition had been on: E), because
// the invariants under the table allow no way from a latch to normal without a reset. And a
// shelf that a restart drops follows the same rule.
func cells() []cell {
	const A, B, C, D, E, F, G, H, I = Normal, Unacked, Acked, Returned, LatchedUnacked, LatchedAcked, Shelved, Suppressed, OutOfService
	return []cell{
		{A, "LN", "ON", "", B, false},
		{A, "LN", "OFF", "", A, false},
		{A, "LN", "ACK", "", A, true},
		{A, "LN", "RESET", "", A, true},
		{A, "LN", "SHELVE", "", G, false},
		{A, "LN", "UNSHELVE", "", A, false},
		{A, "LN", "SUP+", "", H, false},
		{A, "LN", "SUP-", "", A, false},
		{A, "LN", "OOS+", "", I, false},
		{A, "LN", "OOS-", "", A, false},
		{A, "LN", "BAD", "", A, false},
		{A, "LN", "RESTART", "", A, false},

		{B, "LN", "ON", "", B, false},
		{B, "LN", "RE-ALARM", "", B, false},
		{B, "N", "OFF", "", D, false},
		{B, "L", "OFF", "", E, false},
		{B, "LN", "ACK", "", C, false},
		{B, "LN", "RESET", "", B, true},
		{B, "LN", "SHELVE", "", G, false},
		{B, "LN", "UNSHELVE", "", B, false},
		{B, "LN", "SUP+", "", H, false},
		{B, "LN", "SUP-", "", B, false},
		{B, "LN", "OOS+", "", I, false},
		{B, "LN", "OOS-", "", B, false},
		{B, "LN", "BAD", "", B, false},
		{B, "LN", "RESTART", "", B, false},

		{C, "LN", "ON", "", C, false},
		{C, "LN", "RE-ALARM", "", B, false},
		{C, "N", "OFF", "", A, false},
		{C, "L", "OFF", "", F, false},
		{C, "LN", "ACK", "", C, false},
		{C, "LN", "RESET", "", C, true},
		{C, "LN", "SHELVE", "", G, false},
		{C, "LN", "UNSHELVE", "", C, false},
		{C, "LN", "SUP+", "", H, false},
		{C, "LN", "SUP-", "", C, false},
		{C, "LN", "OOS+", "", I, false},
		{C, "LN", "OOS-", "", C, false},
		{C, "LN", "BAD", "", C, false},
		{C, "LN", "RESTART", "", C, false},
		{C, "LN", "RESTART-GAS", "", B, false},

		{D, "N", "ON", "", B, false},
		{D, "N", "OFF", "", D, false},
		{D, "N", "ACK", "", A, false},
		{D, "N", "RESET", "", D, true},
		{D, "N", "SHELVE", "", G, false},
		{D, "N", "UNSHELVE", "", D, false},
		{D, "N", "SUP+", "", H, false},
		{D, "N", "SUP-", "", D, false},
		{D, "N", "OOS+", "", I, false},
		{D, "N", "OOS-", "", D, false},
		{D, "N", "BAD", "", D, false},
		{D, "N", "RESTART", "", D, false},

		{E, "L", "ON", "", B, false},
		{E, "L", "OFF", "", E, false},
		{E, "L", "ACK", "", F, false},
		{E, "L", "RESET", "", E, true},
		{E, "L", "SHELVE", "", E, true},
		{E, "L", "UNSHELVE", "", E, false},
		{E, "L", "SUP+", "", H, false},
		{E, "L", "SUP-", "", E, false},
		{E, "L", "OOS+", "", I, false},
		{E, "L", "OOS-", "", E, false},
		{E, "L", "BAD", "", E, false},
		{E, "L", "RESTART", "", E, false},

		{F, "L", "ON", "", B, false},
		{F, "L", "OFF", "", F, false},
		{F, "L", "ACK", "", F, false},
		{F, "L", "RESET", "", A, false},
		{F, "L", "RESET-WHILE-BAD", "", F, true},
		{F, "L", "RESET-WHILE-BACK", "", F, true},
		{F, "L", "SHELVE", "", F, true},
		{F, "L", "UNSHELVE", "", F, false},
		{F, "L", "SUP+", "", H, false},
		{F, "L", "SUP-", "", F, false},
		{F, "L", "OOS+", "", I, false},
		{F, "L", "OOS-", "", F, false},
		{F, "L", "BAD", "", F, false},
		{F, "L", "RESTART", "", F, false},

		{G, "LN", "ON", "off", G, false},
		{G, "LN", "OFF", "on", G, false},
		{G, "LN", "ACK", "on", G, true},
		{G, "LN", "RESET", "on", G, true},
		{G, "LN", "SHELVE", "on", G, false},
		{G, "LN", "UNSHELVE", "on", B, false},
		{G, "LN", "UNSHELVE", "off", A, false},
		{G, "N", "UNSHELVE", "was", A, false},
		{G, "L", "UNSHELVE", "was", E, false},
		{G, "LN", "TIMER", "on", B, false},
		{G, "LN", "TIMER", "off", A, false},
		{G, "N", "TIMER", "was", A, false},
		{G, "L", "TIMER", "was", E, false},
		{G, "LN", "SUP+", "on", H, false},
		{G, "LN", "SUP-", "on", G, false},
		{G, "LN", "OOS+", "on", I, false},
		{G, "LN", "OOS-", "on", G, false},
		{G, "LN", "BAD", "on", G, false},
		{G, "LN", "RESTART", "on", B, false},
		{G, "LN", "RESTART", "off", A, false},
		{G, "L", "RESTART", "was", E, false},

		{H, "LN", "ON", "off", H, false},
		{H, "LN", "OFF", "on", H, false},
		{H, "LN", "ACK", "on", H, true},
		{H, "LN", "RESET", "on", H, true},
		{H, "LN", "SHELVE", "on", H, true},
		{H, "LN", "UNSHELVE", "on", H, false},
		{H, "LN", "SUP+", "on", H, false},
		{H, "LN", "SUP-", "on", B, false},
		{H, "LN", "SUP-", "off", A, false},
		{H, "N", "SUP-", "was", A, false},
		{H, "L", "SUP-", "was", E, false},
		{H, "LN", "OOS+", "on", I, false},
		{H, "LN", "OOS-", "on", H, false},
		{H, "LN", "BAD", "on", H, false},
		{H, "LN", "RESTART", "on", H, false},
		{H, "LN", "RESTART-SUP-", "on", B, false},
		{H, "LN", "RESTART-SUP-", "off", A, false},

		{I, "LN", "ON", "off", I, false},
		{I, "LN", "OFF", "on", I, false},
		{I, "LN", "ACK", "on", I, true},
		{I, "LN", "RESET", "on", I, true},
		{I, "LN", "SHELVE", "on", I, true},
		{I, "LN", "UNSHELVE", "on", I, false},
		{I, "LN", "SUP+", "on", I, false},
		{I, "LN", "SUP-", "on", I, false},
		{I, "LN", "OOS+", "on", I, false},
		{I, "LN", "OOS-", "on", B, false},
		{I, "LN", "OOS-", "off", A, false},
		{I, "N", "OOS-", "was", A, false},
		{I, "L", "OOS-", "was", E, false},
		{I, "LN", "BAD", "on", I, false},
		{I, "LN", "RESTART", "on", I, false},
	}
}

// apply gives the input of a cell and returns what a verb answered.
func (c cell) apply(r *rig) error {
	switch c.input {
	case "ON":
		r.hold(True, rigOn+2*time.Second)
	case "OFF":
		r.hold(False, rigOff+2*time.Second)
	case "BAD":
		r.hold(Unknown, rigOff+rigOn+2*time.Second)
	case "RE-ALARM":
		r.hold(True, rigAgain+2*time.Second)
	case "TIMER":
		r.hold(r.truth, time.Hour+2*time.Second)
	case "SUP+":
		r.by = CylinderRemoved
		r.step(time.Second)
	case "SUP-":
		r.by = ""
		r.step(time.Second)
	case "RESTART", "RESTART-GAS", "RESTART-SUP-":
		r.rule.ReAnnounce = c.input == "RESTART-GAS"
		if c.input == "RESTART-SUP-" {
			r.by = ""
		}
		r.restart()
		r.step(time.Second)
	case "RESET-WHILE-BAD":
		r.hold(Unknown, 2*time.Second)
		return r.verb("RESET")
	case "RESET-WHILE-BACK":
		r.hold(True, 2*time.Second)
		return r.verb("RESET")
	default:
		return r.verb(c.input)
	}
	return nil
}

func TestEveryCellOfTheTransitionTable(t *testing.T) {
	seen := map[string]bool{}
	for _, c := range cells() {
		for _, kind := range c.kind {
			name := c.state.String() + "/" + c.input
			for _, part := range []string{c.cond, string(kind)} {
				if part != "" {
					name += "/" + part
				}
			}
			if seen[name] {
				t.Fatalf("cell %s is twice in the table", name)
			}
			seen[name] = true
			t.Run(name, func(t *testing.T) { c.check(t, kind == 'L') })
		}
	}
	for _, s := range States() {
		for _, input := range []string{"ON", "OFF", "ACK", "RESET", "SHELVE", "UNSHELVE", "SUP+", "SUP-", "OOS+", "OOS-", "BAD", "RESTART"} {
			if !hasCell(s, input) {
				t.Errorf("no test for state %v, input %s", s, input)
			}
		}
	}
}

func hasCell(s State, input string) bool {
	for _, c := range cells() {
		if c.state == s && c.input == input {
			return true
		}
	}
	return false
}

func (c cell) check(t *testing.T, latch bool) {
	r := newRig(t, latch)
	r.reach(c.state, c.cond)
	sounds := r.status().SoundN
	r.last = nil
	err := c.apply(r)
	r.want(c.want, "after "+c.input)
	if (err != nil) != c.rej {
		t.Fatalf("refusal: %v, want one: %v", err, c.rej)
	}
	if err != nil && (!strings.Contains(err.Error(), c.state.String()) || !strings.Contains(err.Error(), ": ")) {
		t.Errorf("refusal %q does not say how the alarm stands and what to do", err)
	}
	st := r.status()
	if st.Sounding != (c.want == Unacked) {
		t.Errorf("sounding is %v in state %v: only B sounds", st.Sounding, c.want)
	}
	again := c.input == "RE-ALARM" || c.input == "RESTART" || c.input == "RESTART-SUP-" || c.input == "RESTART-GAS"
	if c.want == Unacked && (c.state != Unacked || again) && st.SoundN == sounds {
		t.Errorf("the sound did not start anew")
	}
	reminder := c.state == OutOfService && c.input == "RESTART"
	extended := c.state == Shelved && c.input == "SHELVE"
	if moved := len(r.last) > 0; moved != (c.want != c.state || reminder || extended) {
		t.Errorf("logged moves %+v for a step from %v to %v", r.last, c.state, c.want)
	}
	for _, m := range r.last {
		if m.Kind != "alarm" || m.ID != "x" || m.Why == "" {
			t.Errorf("move %+v has no kind, id or cause", m)
		}
		if by := verbOf(c.input); by != (m.Actor == "ann") {
			t.Errorf("move %+v: by a person is %v", m, by)
		}
	}
	if c.input == "BAD" && st.Quality >= sensors.Suspect {
		t.Errorf("quality is %v while the sensor is dead", st.Quality)
	}
}

func verbOf(input string) bool {
	switch input {
	case "ACK", "RESET", "SHELVE", "UNSHELVE", "OOS+", "OOS-":
		return true
	}
	return false
}

func TestAShelfEndsAfterEightHoursAtMost(t *testing.T) {
	r := newRig(t, false)
	if _, err := r.e.Shelve("x", "ann", 8*time.Hour+time.Second, r.stamp()); err == nil {
		t.Fatal("shelved for more than 8 h")
	}
	for _, d := range []time.Duration{0, -time.Hour} {
		if _, err := r.e.Shelve("x", "ann", d, r.stamp()); err == nil {
			t.Fatalf("shelved for %v", d)
		}
	}
	if _, err := r.e.Shelve("x", "ann", 7*time.Hour, r.stamp()); err != nil {
		t.Fatal(err)
	}
	r.hold(False, 6*time.Hour)
	if _, err := r.e.Shelve("x", "ann", 3*time.Hour, r.stamp()); err == nil {
		t.Fatal("6 h in, an extension to 9 h was taken")
	}
	if _, err := r.e.Shelve("x", "ann", 2*time.Hour, r.stamp()); err != nil {
		t.Fatalf("6 h in, an extension to 8 h was refused: %v", err)
	}
	r.hold(False, 2*time.Hour-time.Second)
	r.want(Shelved, "a second before the end")
	r.hold(False, 2*time.Second)
	r.want(Normal, "after 8 h")
}

func TestVerbsRefuseAnAlarmThatDoesNotExist(t *testing.T) {
	r := newRig(t, false)
	for _, err := range []error{
		second(r.e.Ack("y", "ann", r.stamp())), second(r.e.Reset("y", "ann", r.stamp())),
		second(r.e.Shelve("y", "ann", time.Hour, r.stamp())), second(r.e.Unshelve("y", "ann", r.stamp())),
		second(r.e.OutOfService("y", "ann", r.stamp())), second(r.e.InService("y", "ann", r.stamp())),
	} {
		if err == nil || !strings.Contains(err.Error(), "no such alarm") {
			t.Errorf("answer %v, want a refusal that says there is no such alarm", err)
		}
	}
}

func second(_ []Transition, err error) error { return err }
