package core

import (
	"cmp"
	"context"
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"frostline/sensors"
	"frostline/sensors/sim"
)

// coverageRuns are short lives of a van, in ticks of 10 s, each with another reason for the
// fuel to be off.
var coverageRuns = [...]struct{ name, text string }{
	{"evening", `duration = "3h"`},
	{"night", `
start = 2026-01-14T20:30:00Z
duration = "8h"
[weather]
mean_c = -5`},
	{"deep cold", `
duration = "4h"
[van.heater]
kw = 3.2
[weather]
mean_c = -18`},
	{"stored", `
duration = "150m"
meals = []
[van]
occupants = 0
[van.heater]
off = true
[van.cabin]
start_c = 6
[weather]
mean_c = 5`},
	{"gale", `
duration = "3h"
[weather]
mean_c = 2
wind_m_per_s = 11`},
	{"restart", `
duration = "3h"
[[events]]
at = "80m"
do = "power-cut"
for = "25m"`},
}

const coverageDraws = 400

// redrawn is the fuel of one draw, looked at once.
type redrawn struct {
	run, grade string
	tareSDKg   float64
	known, in  bool
	widthKg    float64
	scaleKg    float64 // how far the fuel is off, the stamp's error apart
	statedKg   float64 // standard deviation that is stated for that
}

// redraw is a van of which nobody knows the stamp's error, the cell's coefficients, creep
// and lag, the heater's real rate and the contents, but as scattered as its owner is told.
func redraw(t *testing.T, i int) (*sim.Van, Params, redrawn) {
	n := len(coverageRuns)
	run := coverageRuns[i%n]
	d := redrawn{run: run.name, grade: [...]string{"good", "cheap"}[i/n%2], tareSDKg: [...]float64{0.040, 0.120}[i/n/2%2]}
	s, err := sim.Load(strings.NewReader("what = \"a redraw\"\ntick = \"10s\"\n"+run.text+"\n[van.scale]\ngrade = \""+d.grade+"\"\n"), run.name)
	if err != nil {
		t.Fatal(err)
	}
	r := rand.New(rand.NewPCG(uint64(i), 4))
	within := func(low, high float64) float64 { return low + (high-low)*r.Float64() }
	c := &s.Van.Cylinder
	c.StampedTareKg = c.TareKg + d.tareSDKg*r.NormFloat64()
	c.FuelKg = within(1.5, 8.8)
	s.Van.Heater.PlateErrorFrac = within(-0.1, 0.1)
	s.Van.AltitudeM = within(0, 1500)
	s.Van.Scale.LagMin = within(25, 60) // estimation.md 2
	v := sim.New(s, uint64(i)+1)
	p := simParams(v)
	p.Estimate.Cylinder.TareSDKg = d.tareSDKg
	return v, p, d
}

// lookOnce runs one draw to a moment late in its life. After a power cut another core goes
// on from the newest checkpoint.
func lookOnce(t *testing.T, i int) redrawn {
	v, p, d := redraw(t, i)
	late := 0.7 + 0.25*rand.New(rand.NewPCG(uint64(i), 5)).Float64()
	at := time.Duration(late * float64(v.Scenario().Duration.Duration))
	c := New(p)
	var saved []byte
	in := Input{Boot: v.Boot(), Readings: make([]sensors.Reading, len(v.Wiring()))}
	for {
		clear(in.Readings)
		st, err := v.Read(context.Background(), in.Readings)
		if err != nil {
			t.Errorf("draw %d, %s: %v before it was looked at", i, d.run, err)
			return d
		}
		if v.Boot() != in.Boot {
			c = New(p)
			if err := c.Restore(saved); err != nil {
				t.Errorf("draw %d, %s: %v", i, d.run, err)
				return d
			}
		}
		in.Stamp, in.Boot = st, v.Boot()
		s := c.Step(in)
		if s.Checkpoint != nil {
			saved = s.Checkpoint
		}
		if v.Elapsed() < at {
			continue
		}
		fuel, truth := s.Est.FuelKg, v.Truth()
		d.known, d.in = fuel.Known(), fuel.Low <= truth.FuelKg && truth.FuelKg <= fuel.High
		d.widthKg = fuel.High - fuel.Low
		d.scaleKg = fuel.Value - truth.FuelKg + p.Estimate.Cylinder.TareKg - truth.TareKg
		d.statedKg = math.Sqrt(max(0, d.widthKg*d.widthKg/3.92/3.92-d.tareSDKg*d.tareSDKg))
		return d
	}
}

// tally is what a set of draws says of the interval.
type tally struct{ n, in, widthKg, scaleKg2, statedKg2 float64 }

func (a *tally) add(d redrawn) {
	a.n++
	if d.in {
		a.in++
	}
	a.widthKg += d.widthKg
	a.scaleKg2 += d.scaleKg * d.scaleKg
	a.statedKg2 += d.statedKg * d.statedKg
}

// share is the coverage with its 95 % interval (Wilson's).
func (a *tally) share() (low, share, high float64) {
	const z2 = 1.96 * 1.96
	p := a.in / a.n
	mid, half := (p+z2/2/a.n)/(1+z2/a.n), math.Sqrt(z2*(p*(1-p)+z2/4/a.n)/a.n)/(1+z2/a.n)
	return mid - half, p, mid + half
}

func (a *tally) String() string {
	low, p, high := a.share()
	return fmt.Sprintf("n %3.0f, covered %.3f (%.3f to %.3f), mean full width %3.0f g, off without the stamp %2.0f g, stated %2.0f g",
		a.n, p, low, high, 1000*a.widthKg/a.n, 1000*math.Sqrt(a.scaleKg2/a.n), 1000*math.Sqrt(a.statedKg2/a.n))
}

// TestTheFuelIntervalCoversOver400Redraws redraws all that an owner cannot know, as
// scattered as he is told it is, and looks at each van once: 95 % must mean 92 to 98 %.
func TestTheFuelIntervalCoversOver400Redraws(t *testing.T) {
	if testing.Short() {
		t.Skip("long: 400 vans")
	}
	t.Parallel()
	var draws [coverageDraws]redrawn
	var wait sync.WaitGroup
	for half := range 2 {
		wait.Go(func() {
			for i := half; i < len(draws); i += 2 {
				draws[i] = lookOnce(t, i)
			}
		})
	}
	wait.Wait()
	var all tally
	parts := map[string]*tally{}
	for i, d := range draws {
		if !d.known {
			t.Errorf("draw %d, %s, %s cell: the fuel is not known", i, d.run, d.grade)
		}
		all.add(d)
		for _, name := range []string{fmt.Sprintf("tare sd %.0f g", 1000*d.tareSDKg), d.grade + " cell", d.run, d.run + ", " + d.grade + " cell"} {
			if parts[name] == nil {
				parts[name] = new(tally)
			}
			parts[name].add(d)
		}
	}
	names := make([]string, 0, len(parts))
	for name := range parts {
		names = append(names, name)
	}
	slices.SortFunc(names, func(a, b string) int { return cmp.Or(cmp.Compare(len(a), len(b)), cmp.Compare(a, b)) })
	t.Logf("%-22s %v", "all", &all)
	for _, name := range names {
		t.Logf("%-22s %v", name, parts[name])
	}
	if _, p, _ := all.share(); p < 0.92 || p > 0.98 {
		t.Errorf("the interval held the truth in %.1f %% of draws, want 92 to 98", 100*p)
	}
	if w := parts["tare sd 40 g"]; w.widthKg/w.n > 0.240 {
		t.Errorf("the interval is %.0f g wide at a tare sd of 40 g, want 240 at most", 1000*w.widthKg/w.n)
	}
	// Under the stamp, which would hide it: what is said of the scale alone.
	for _, name := range []string{"good cell", "cheap cell"} {
		a := parts[name]
		if r := math.Sqrt(a.scaleKg2 / a.statedKg2); r < 0.6 || r > 1.1 {
			t.Errorf("%s: the scale is off by %.2f of what is stated, want 0.6 to 1.1", name, r)
		}
	}
}
