package core

import (
	"math/rand/v2"
	"reflect"
	"slices"
	"testing"
	"time"

	"frostline/daemon/estimate"
	"frostline/sensors/sim"
)

// TestNoBeliefRestsOnTheTimeOfDay lives a night beside a core whose labels are nonsense, no two
// alike: what is believed of fuel, burn, cold and gas goes by the monotonic clock alone.
func TestNoBeliefRestsOnTheTimeOfDay(t *testing.T) {
	const name = "valve-left-shut"
	r := rand.New(rand.NewPCG(5, 10))
	var right, wrong *Core
	ticks, burned := 0, false
	drive(t, name, func(v *sim.Van, in Input) {
		if right == nil {
			right, wrong = New(simParams(v)), New(simParams(v))
		}
		if in.Stamp.Up > 3*time.Hour {
			return // the valve was shut, and the heater starves
		}
		a := right.Step(in)
		in.Stamp.Wall = time.Unix(r.Int64N(4e9), 0).UTC()
		b := wrong.Step(in)
		if x, y := timeless(a.Est), timeless(b.Est); !reflect.DeepEqual(x, y) {
			t.Fatalf("at %v:\n%s by the right time,\n%s by nonsense", in.Stamp.Up, text(x), text(y))
		}
		ticks++
		burned = burned || a.Est.BurnKgPerH.Value > 0.05 && a.Est.FuelKg.Known() && a.Est.Band == estimate.Background
	})
	if ticks < 1000 || !burned {
		t.Errorf("%d ticks, burned %v: this shows nothing", ticks, burned)
	}
}

// timeless is an estimate without what says whether the time of day is known.
func timeless(e *estimate.Estimates) estimate.Estimates {
	out := *e
	out.ClockTrusted, out.ClockSet = false, nil
	out.Happened = slices.DeleteFunc(slices.Clone(e.Happened), func(h estimate.Happening) bool { return h.Kind == estimate.ClockStep })
	if len(out.Happened) == 0 {
		out.Happened = nil
	}
	return out
}
