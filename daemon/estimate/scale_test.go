package estimate

import (
	"math"
	"math/rand/v2"
	"testing"
	"time"

	"frostline/sensors"
)

// bench is a load on a good cell in a van that does not exist: a cylinder, white noise,
// and whatever a test does to it. It shares no model with the estimator.
type bench struct {
	t      *testing.T
	wiring sensors.Wiring
	est    *Estimator
	rng    *rand.Rand

	upS     float64
	kg      float64 // on the scale
	noiseKg float64
	lockerC float64
	kgPerK  float64 // what temperature does to the reading
	lagC    float64 // of the cell
	call    float64 // heat demand input, -1 not read
	last    *Estimates
	told    []Happening
}

func testParams() Params {
	return Params{
		Scale: Scale{CountsPerKg: 143000, ZeroCounts: 50000, CalibratedAtC: 20, CapacityKg: 30,
			ZeroTCGPerK: 0.42, SpanTCPPMPerK: 15, CreepPct30min: 0.02},
		Cylinder: Cylinder{TareKg: 7.7, TareSDKg: 0.04, CapacityKg: 9.1},
		Appliances: []Appliance{{Name: "heater", Kind: Heater, RatedKW: 1.9},
			{Name: "left", Kind: Burner, RatedKW: 1.8, MinKW: 0.5}, {Name: "right", Kind: Burner, RatedKW: 1.8, MinKW: 0.5}},
		Gas: Gas{SupplyV: 5, LoadOhm: 10000},
	}
}

func newBench(t *testing.T, kg float64) *bench {
	b := &bench{t: t, rng: rand.New(rand.NewPCG(1, 2)), kg: kg, noiseKg: 0.0002, lockerC: 20, lagC: 20, call: -1}
	b.wiring = sensors.Wiring{
		{Channel: sensors.LoadCounts, Period: time.Second},
		{Channel: sensors.LockerC, Period: 10 * time.Second},
		{Channel: sensors.HeatCall, Period: time.Minute},
	}
	b.est = New(b.wiring, testParams())
	return b
}

// run lets the van stand for a time with a burn in kg/h.
func (b *bench) run(d time.Duration, burnKgPerH float64) *Estimates {
	return b.drive(d, burnKgPerH, 0)
}

// drive is run with the road shaking the load by roadKg.
func (b *bench) drive(d time.Duration, burnKgPerH, roadKg float64) *Estimates {
	r := make([]sensors.Reading, len(b.wiring))
	for range int(d.Seconds()) {
		b.upS++
		b.kg -= burnKgPerH / 3600
		b.lagC += (b.lockerC - b.lagC) / 2400
		read := b.kg + b.kgPerK*(b.lagC-20) + b.rng.NormFloat64()*(b.noiseKg+roadKg)
		r[0] = sensors.Of(math.Round(50000 + 143000*read))
		r[1], r[2] = sensors.Reading{}, sensors.Reading{}
		if int(b.upS)%10 == 0 {
			r[1] = sensors.Of(b.lockerC)
			if b.call >= 0 {
				r[2] = sensors.Of(b.call)
			}
		}
		b.step(r)
	}
	return b.last
}

// dead lets time pass in which the load cell says nothing.
func (b *bench) dead(d time.Duration, burnKgPerH float64) *Estimates {
	r := make([]sensors.Reading, len(b.wiring))
	for range int(d.Seconds()) {
		b.upS++
		b.kg -= burnKgPerH / 3600
		r[0] = sensors.Fault("timeout")
		b.step(r)
	}
	return b.last
}

func (b *bench) step(r []sensors.Reading) {
	up := time.Duration(b.upS * float64(time.Second))
	before := b.last
	b.last = b.est.Step(sensors.Stamp{Up: up, Wall: time.Date(2025, 11, 1, 12, 0, 0, 0, time.UTC).Add(up)}, r)
	for _, h := range b.last.Happened {
		if h.Kind != SensorChanged {
			b.told = append(b.told, h)
		}
	}
	if before != nil && b.last.BurnedKg < before.BurnedKg {
		b.t.Fatalf("at %v the burned total fell from %g to %g kg", up, before.BurnedKg, b.last.BurnedKg)
	}
}

// restart saves, makes a new Estimator and restores after a gap.
func (b *bench) restart(gapS float64) {
	s := b.est.Save()
	b.est = New(b.wiring, testParams())
	b.est.Restore(s, gapS, 0, true)
	b.upS = 0
}

func (b *bench) count(kind string) (n int) {
	for _, h := range b.told {
		if h.Kind == kind {
			n++
		}
	}
	return n
}

func (b *bench) lastOf(kind string) Happening {
	b.t.Helper()
	for i := len(b.told) - 1; i >= 0; i-- {
		if b.told[i].Kind == kind {
			return b.told[i]
		}
	}
	b.t.Fatalf("no %s among %d happenings", kind, len(b.told))
	return Happening{}
}

func near(t *testing.T, what string, got, want, tolerance float64) {
	t.Helper()
	if !(math.Abs(got-want) <= tolerance) {
		t.Errorf("%s is %.4f, want %.4f within %g", what, got, want, tolerance)
	}
}

// holds checks that a quantity is known and its interval holds the truth.
func holds(t *testing.T, what string, q Quantity, truth float64) {
	t.Helper()
	if !q.Known() || truth < q.Low || truth > q.High {
		t.Errorf("%s is %.4f (%.4f to %.4f) %v %q, want the interval to hold %.4f", what, q.Value, q.Low, q.High, q.Quality, q.Why, truth)
	}
}
