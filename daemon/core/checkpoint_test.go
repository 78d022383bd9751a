package core

import (
	"bytes"
	"encoding/json"
	"fmt"
	"math"
	"math/rand/v2"
	"reflect"
	"slices"
	"testing"
	"time"

	"frostline/daemon/estimate"
	"frostline/sensors/sim"
)

// Cuts draws the ticks, n apart on the mean, at which a life is cut.
type Cuts struct {
	r    *rand.Rand
	n    int
	next int
	tick int
}

// NewCuts starts the draw; the same seed gives the same ticks.
func NewCuts(seed uint64, n int) *Cuts {
	c := &Cuts{r: rand.New(rand.NewPCG(seed, 8)), n: n}
	c.next = 1 + c.r.IntN(n)
	return c
}

func (c *Cuts) now() bool {
	c.tick++
	if c.tick < c.next {
		return false
	}
	c.next = c.tick + 1 + c.r.IntN(2*c.n)
	return true
}

// asRead is a checkpoint as a person or a recording may have laid it out anew.
func asRead(t testing.TB, b []byte) []byte {
	t.Helper()
	var out bytes.Buffer
	if err := json.Indent(&out, b, "", "  "); err != nil {
		t.Fatal(err)
	}
	return out.Bytes()
}

// Twins are two cores that live on from the same checkpoint: one that has lived it and starts
// another boot in the same process, and one that is made new and reads it.
type Twins struct {
	p          Params
	lived, new *Core
	saved      []byte
	cuts       *Cuts
	boot       string
	up0        time.Duration
	until      time.Duration // the newer one is followed, on the clock of in
	N          int           // times they were cut
}

const twinsFollow = 30 * time.Minute

// NewTwins makes a pair that is cut at the ticks of cuts.
func NewTwins(p Params, cuts *Cuts) *Twins { return &Twins{p: p, lived: New(p), cuts: cuts} }

// Step lets both live a tick and fails where they part.
func (w *Twins) Step(t testing.TB, in Input) {
	t.Helper()
	if in.Boot != w.boot { // a boot of the recording's own
		w.boot, w.up0, w.new = in.Boot, 0, nil
	}
	if w.new != nil && in.Stamp.Up > w.until {
		w.new = nil
	}
	if w.saved != nil && w.cuts.now() {
		w.N++
		w.new = New(w.p)
		if err := w.new.Restore(asRead(t, w.saved)); err != nil {
			t.Fatal(err)
		}
		w.until = in.Stamp.Up + twinsFollow
		if w.N%2 == 0 { // else Up goes on, as it may by chance
			w.up0 = in.Stamp.Up
		}
	}
	in.Stamp.Up -= w.up0
	in.Boot = fmt.Sprintf("%s-%d", in.Boot, w.N)
	a := w.lived.Step(in)
	if a.Checkpoint != nil {
		w.saved = a.Checkpoint
	}
	if w.new == nil {
		return
	}
	b := w.new.Step(in)
	if reflect.DeepEqual(a, b) {
		return
	}
	x, y := reflect.ValueOf(*a), reflect.ValueOf(*b)
	for i := range x.NumField() {
		if u, v := x.Field(i).Interface(), y.Field(i).Interface(); !reflect.DeepEqual(u, v) {
			t.Fatalf("cut %d, at %v: %s is\n%+v in the core that has lived it,\n%+v in the one that has read it", w.N, in.Stamp.Up, x.Type().Field(i).Name, text(u), text(v))
		}
	}
}

func text(v any) string {
	b, _ := json.Marshal(v)
	return string(b)
}

// Reloads are a core that lives without a pause and others that take over from its checkpoint
// at ticks in between, as after a change of the configuration. What a checkpoint cannot carry
// is the level and rate being followed, the block being made and the spell being watched. So
// the scale has to come to rest again and a flame that burns is told again; nothing else may
// come out another way.
type Reloads struct {
	p             Params
	whole         *Core
	cuts          *Cuts
	on            []*reload
	N             int
	Worst         struct{ FuelKg, BurnedKg float64 }
	tickN, apartN int // ticks compared, and those in which the burn is another
}

type reload struct {
	core *Core
	n    int
	from time.Duration
	boot string
}

// Times of Reloads, and how far the scale may come to rest from where it was: three of the
// blocks it takes, and a flame lit meanwhile.
const (
	reloadRest    = 15 * time.Minute // after which both must believe the same
	reloadFollow  = 40 * time.Minute // how long one is followed
	reloadFuelKg  = 0.006
	reloadBurnKg  = 0.008
	reloadRateKgH = 0.040
)

// NewReloads makes a core whose checkpoints are taken over at the ticks of cuts.
func NewReloads(p Params, cuts *Cuts) *Reloads { return &Reloads{p: p, whole: New(p), cuts: cuts} }

// Step lets all live a tick and fails where one that took over believes something else.
func (w *Reloads) Step(t testing.TB, in Input) {
	t.Helper()
	if w.cuts.now() && w.whole.last != nil && w.whole.boot == in.Boot {
		cp := w.whole.Checkpoint()
		w.N++
		r := &reload{core: New(w.p), n: w.N, from: in.Stamp.Up, boot: in.Boot}
		if err := r.core.Restore(asRead(t, cp)); err != nil {
			t.Fatal(err)
		}
		w.on = append(w.on, r)
	}
	a := w.whole.Step(in)
	w.on = slices.DeleteFunc(w.on, func(r *reload) bool { return in.Boot != r.boot || in.Stamp.Up-r.from > reloadFollow })
	for _, r := range w.on {
		b := r.core.Step(in)
		at := fmt.Sprintf("reload %d at %v, after %v", r.n, r.from, in.Stamp.Up-r.from)
		if x, y := kept(a), kept(b); !reflect.DeepEqual(x, y) {
			t.Fatalf("%s:\n%s without it,\n%s with it", at, text(x), text(y))
		}
		if in.Stamp.Up-r.from < reloadRest {
			continue
		}
		if x, y := rested(a), rested(b); !reflect.DeepEqual(x, y) {
			t.Errorf("%s:\n%s without it,\n%s with it", at, text(x), text(y))
			r.from = -reloadFollow
		}
		e, f := a.Est, b.Est
		for _, q := range []struct {
			what        string
			x, y, limit float64
			worst       *float64
		}{{"fuel", e.FuelKg.Value, f.FuelKg.Value, reloadFuelKg, &w.Worst.FuelKg}, {"burned", e.BurnedKg, f.BurnedKg, reloadBurnKg, &w.Worst.BurnedKg}} {
			d := math.Abs(q.x - q.y)
			*q.worst = max(*q.worst, d)
			if d > q.limit {
				t.Errorf("%s: %s %g without it, %g with it", at, q.what, q.x, q.y)
				r.from = -reloadFollow
			}
		}
		w.tickN++
		if math.Abs(e.BurnKgPerH.Value-f.BurnKgPerH.Value) > reloadRateKgH {
			w.apartN++
		}
	}
}

// End says how far they came apart. A flame may be told a block sooner or later.
func (w *Reloads) End(t testing.TB) {
	t.Helper()
	apart := 100 * float64(w.apartN) / float64(max(w.tickN, 1))
	t.Logf("%d reloads: fuel at most %.1f g apart, burned %.1f g, burn another in %.2f %% of ticks", w.N, 1000*w.Worst.FuelKg, 1000*w.Worst.BurnedKg, apart)
	if w.N < 3 {
		t.Errorf("%d reloads, want 3", w.N)
	}
	if apart > 0.5 {
		t.Errorf("the burn is another in %.2f %% of ticks, want 0.5 at most", apart)
	}
}

// kept is what a checkpoint carries whole: it is the same from the first tick on.
func kept(s *Snapshot) any {
	e := s.Est
	return struct {
		Band, Level, Hold   estimate.GasBand
		Warming             bool
		Air                 [4]estimate.Quantity
		Known               []estimate.Known
		Capacity            estimate.Quantity
		Entered, Learned    bool
		Name, Requalify     string
		Clock               bool
		Changes, Boots, New uint64
	}{e.Band, e.GasLevel, e.GasHold, e.WarmingUp, [...]estimate.Quantity{e.CabinC, e.OutsideC, e.LockerC, e.AirKPa}, e.Known, e.CapacityKg,
		e.TareEntered, e.TareLearned, e.CylinderName, e.RequalifyBy, e.ClockTrusted, s.Totals.CylinderChanges, s.Totals.Boots, s.Totals.Nights}
}

// rested is what must be the same once the scale has come to rest.
func rested(s *Snapshot) any {
	e := s.Est
	states := map[string]string{}
	for _, a := range s.Alarms {
		states[a.ID] = a.State.String()
	}
	return struct {
		Cylinder  estimate.Presence
		Moving    bool
		Starved   estimate.Tristate
		Suspected bool
		Fuel      bool
		Alarms    map[string]string
	}{e.Cylinder, e.Moving, e.Starved, e.Watch.Suspected, e.FuelKg.Known(), states}
}

// cutScenarios are lives in which much goes on.
var cutScenarios = []string{"quiet-night", "day-on-the-road", "boots-in-the-past"}

// TestACheckpointReadIsACheckpointLived: cut at any tick, a core made new from the newest
// checkpoint and the core that wrote it have the same future, to the last bit of every
// snapshot, event and later checkpoint.
func TestACheckpointReadIsACheckpointLived(t *testing.T) {
	for _, name := range cutScenarios {
		t.Run(name, func(t *testing.T) {
			if testing.Short() && name != "boots-in-the-past" {
				t.Skip("long: it runs without -short")
			}
			t.Parallel()
			var w *Twins
			drive(t, name, func(v *sim.Van, in Input) {
				if w == nil {
					w = NewTwins(simParams(v), NewCuts(1, 4000))
				}
				w.Step(t, in)
			})
			if w.N < 4 {
				t.Errorf("cut %d times, want 4", w.N)
			}
		})
	}
}

// TestAReloadChangesNothing: what takes over from a checkpoint of the running boot believes
// what the core without a pause does.
func TestAReloadChangesNothing(t *testing.T) {
	for _, name := range cutScenarios {
		t.Run(name, func(t *testing.T) {
			if testing.Short() && name != "boots-in-the-past" {
				t.Skip("long: it runs without -short")
			}
			t.Parallel()
			var w *Reloads
			drive(t, name, func(v *sim.Van, in Input) {
				if w == nil {
					w = NewReloads(simParams(v), NewCuts(2, 4000))
				}
				w.Step(t, in)
			})
			w.End(t)
		})
	}
}
