package announce

import (
	"cmp"
	"context"
	"encoding/json"
	"errors"
	"os"
	"os/exec"
	"sync"
	"testing"
	"time"

	"frostline/alerts"
	"frostline/daemon/core"
	"frostline/daemon/estimate"
	"frostline/daemon/nights"
	"frostline/sensors"
)

var morning = time.Date(2026, 11, 25, 6, 10, 0, 0, time.UTC)

const boot = "b-17"

func good(v, low, high float64, at time.Duration) estimate.Quantity {
	return estimate.Quantity{Value: v, Low: low, High: high, Quality: sensors.Good, At: at}
}

// vanAt is a van on a quiet morning in which everything is fitted and believed.
func vanAt(tick uint64) *core.Snapshot {
	up := time.Duration(tick) * time.Second
	stamp := sensors.Stamp{Up: up, Wall: morning.Add(up)}
	e := &estimate.Estimates{
		FuelKg: good(4.213, 3.86, 4.571, up), GrossKg: good(12.31, 12.2, 12.4, up),
		BurnKgPerH: good(0.1672, 0.15, 0.18, up), LiquidTempC: good(-6.04, -7, -5, up),
		CylinderKPa: good(371.4, 360, 380, up), SupplyRatio: good(3.14, 2.5, 4, up),
		SeatMarginK: good(-3.2, -5, -1, up), FloorGasPctLEL: estimate.Unknown("never met a test mix"),
		Band: estimate.Background, BandWhy: "below trace",
		CabinC: good(17.22, 17, 17.4, up), OutsideC: good(-11.04, -11.2, -10.8, up),
		LockerC: good(-0.04, -0.2, 0.1, up), PipeC: good(6.5, 6, 7, up), BatteryV: good(12.9, 12.8, 13, up),
		Cylinder: estimate.Present, Heat: estimate.Yes, Certified: estimate.No, ClockTrusted: true,
	}
	for _, ch := range []sensors.Channel{sensors.LoadCounts, sensors.GasV, sensors.CabinC, sensors.OutsideC,
		sensors.LockerC, sensors.WaterlineC, sensors.BrokerLink} {
		e.Channels = append(e.Channels, estimate.ChannelState{Channel: ch, Quality: sensors.Good, Seen: true, LastUp: up, Value: 1})
	}
	return &core.Snapshot{
		Stamp: stamp, Boot: boot, Tick: tick, Est: e, Alarms: catalogue(),
		Tonight: nights.Tonight{Verdict: "Likely enough. About 3 more nights.", Odds: "9 in 10",
			NightsLeft: good(3.14, 2.2, 4.1, up), FullInputLeftH: good(24, 20.6, 28, up),
			FuelOdds: good(0.93, 0.93, 0.93, up), PressureOdds: good(0.425, 0.425, 0.425, up), ThinAfterH: good(6.2, 4, 9, up), NightKg: good(1.6, 1.31, 1.92, up), EndFuelKg: estimate.Unknown("moving"),
			ExpectedLowC: good(-12, -12, -12, up), Enough: estimate.Yes},
		Totals: core.Totals{Boots: 17},
	}
}

// catalogue is a small list of alarms of our own; the mapping must not depend on which
// alarms there are.
func catalogue() []alerts.Status {
	return []alerts.Status{
		{ID: "gas-leave", Title: "Gas at floor level", Action: "Out. No switches, no flame, no phone inside.",
			Runbook: "alerts/RUNBOOK.md#gas-leave", Class: alerts.ClassGas, Priority: alerts.Critical, Latches: true},
		{ID: "gas-blind", Title: "Gas watch blind", Action: "Rely on the certified alarm.", Priority: alerts.High},
		{ID: "pipe-cold", Title: "Coldest pipe near freezing", Action: "Open the locker to the heat.", Priority: alerts.Medium},
		{ID: "fuel-below-night", Class: alerts.ClassFuel, Title: "Fuel below a night", Action: "Change the cylinder while driving is possible.", Priority: alerts.Medium},
		{ID: "clock-untrusted", Title: "Clock untrusted", Priority: alerts.Low, Silent: true},
	}
}

// put moves an alarm of the snapshot to a state and notes the transition under seq.
func put(s *core.Snapshot, id string, to alerts.State, seq uint64) *core.Snapshot {
	for i := range s.Alarms {
		if a := &s.Alarms[i]; a.ID == id {
			from := a.State
			a.State, a.Sounding, a.SinceUp, a.SinceWall = to, to == alerts.Unacked && !a.Silent, s.Stamp.Up, s.Stamp.Wall
			if a.Sounding {
				a.SoundN++
			}
			a.Why = "4 of 5 readings above the limit"
			s.Events = append(s.Events, core.Event{Stamp: s.Stamp, Seq: seq, Alarm: &alerts.Transition{
				Kind: "alarm", ID: id, From: from.String(), To: to.String(), Priority: a.Priority.String(), Why: a.Why}})
		}
	}
	return s
}

// shop is an outbox in memory that can refuse, hang, and lose its voice.
type shop struct {
	mu     sync.Mutex
	rows   []core.OutboxRow
	ticks  map[uint64]bool
	nextID int64
	path   string        // whose rows these are; "" is MQTT's
	asked  int           // calls of Next
	refuse bool          // commits end with an error
	hang   chan struct{} // not nil: every call blocks until it is closed
	wake   chan struct{}
	change chan struct{} // closed and renewed at every commit
}

func newShop() *shop {
	return &shop{ticks: map[uint64]bool{}, wake: make(chan struct{}, 1), change: make(chan struct{})}
}

// take commits a snapshot's transitions as the store would.
func (s *shop) take(t testing.TB, snap *core.Snapshot) {
	t.Helper()
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.refuse || s.hang != nil {
		return
	}
	for _, e := range snap.Events {
		body, err := json.Marshal(e)
		if err != nil {
			t.Fatal(err)
		}
		s.nextID++
		s.rows = append(s.rows, core.OutboxRow{ID: s.nextID, Seq: e.Seq, Boot: snap.Boot, Body: body,
			Recorded: snap.Stamp.Wall, ClockTrusted: snap.Est.ClockTrusted})
	}
	s.ticks[snap.Tick] = true
	close(s.change)
	s.change = make(chan struct{})
	if len(snap.Events) == 0 {
		return
	}
	select {
	case s.wake <- struct{}{}:
	default:
	}
}

// refuses changes whether commits end with an error.
func (s *shop) refuses(is bool) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.refuse = is
}

// serves says whose rows these are; a question of a run before may still be on its way.
func (s *shop) serves(path string) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.path = path
}

func (s *shop) questions() int {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.asked
}

func (s *shop) stuck() chan struct{} {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.hang
}

func (s *shop) Next(_ context.Context, path string, most int) ([]core.OutboxRow, error) {
	if c := s.stuck(); c != nil {
		<-c
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	s.asked++
	if path != cmp.Or(s.path, mqttPath) {
		return nil, errors.New("unknown path " + path)
	}
	return append([]core.OutboxRow(nil), s.rows[:min(most, len(s.rows))]...), nil
}

func (s *shop) Delivered(_ context.Context, _ string, id int64) error {
	if c := s.stuck(); c != nil {
		<-c
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	for i, r := range s.rows {
		if r.ID == id {
			s.rows = append(s.rows[:i:i], s.rows[i+1:]...)
		}
	}
	return nil
}

func (s *shop) Wake(string) <-chan struct{} { return s.wake }

func (s *shop) Committed(ctx context.Context, tick uint64) error {
	if c := s.stuck(); c != nil {
		<-c
	}
	for {
		s.mu.Lock()
		done, refused, change := s.ticks[tick], s.refuse, s.change
		s.mu.Unlock()
		switch {
		case done:
			return nil
		case refused:
			return errors.New("disk full")
		}
		select {
		case <-change:
		case <-ctx.Done():
			return ctx.Err()
		}
	}
}

func (s *shop) left() int {
	s.mu.Lock()
	defer s.mu.Unlock()
	return len(s.rows)
}

// program is the external program, or the end of the test.
func program(t *testing.T, name string) string {
	t.Helper()
	path, err := exec.LookPath(name)
	if err != nil {
		skipOrFail(t, name+" is not installed")
	}
	return path
}

func skipOrFail(t *testing.T, why string) {
	t.Helper()
	if os.Getenv("FROSTLINE_NO_SKIP") != "" {
		t.Fatal(why)
	}
	t.Skip(why)
}

// quick are limits for tests: it tries again soon, and gives up nothing that a busy machine
// only answers late. A test of a silence shortens the limit it is about.
func quick() times {
	const late = hangLimit / 3 // a try that is given up leaves room for another
	return times{connect: late, ack: late, commit: late, keepAlive: late, goodbye: late,
		write:    5 * time.Second, // a publish into a connection that was just cut waits for this long
		retryMin: 20 * time.Millisecond, retryMax: 200 * time.Millisecond}
}
