package core

import (
	"math"
	"slices"
	"testing"
	"time"

	"frostline/sensors"
	"frostline/sensors/sim"
)

// kalman4 is the yardstick: a filter of four states with dense matrices and one measurement,
// as anybody would write it down.
type kalman4 struct {
	x    [4]float64
	p    [4][4]float64
	f, q [4][4]float64
	h    [4]float64
	r    float64
}

// newKalman4 follows a level, its rate, the rate of that, and an offset that fades.
func newKalman4() *kalman4 {
	k := &kalman4{h: [4]float64{1, 0, 0, 1}, r: 0.1}
	k.f = [4][4]float64{{1, 1, 0.5, 0}, {0, 1, 1, 0}, {0, 0, 0.99, 0}, {0, 0, 0, 0.95}}
	for i := range 4 {
		k.p[i][i], k.q[i][i] = 1, 1e-4
	}
	return k
}

// step predicts and folds in one measurement.
func (k *kalman4) step(z float64) {
	var x [4]float64
	var fp, p [4][4]float64
	for i := range 4 {
		for j := range 4 {
			x[i] += k.f[i][j] * k.x[j]
			for m := range 4 {
				fp[i][j] += k.f[i][m] * k.p[m][j]
			}
		}
	}
	for i := range 4 {
		for j := range 4 {
			p[i][j] = k.q[i][j]
			for m := range 4 {
				p[i][j] += fp[i][m] * k.f[j][m]
			}
		}
	}
	var ph [4]float64
	s, y := k.r, z
	for i := range 4 {
		for j := range 4 {
			ph[i] += p[i][j] * k.h[j]
		}
		s += k.h[i] * ph[i]
		y -= k.h[i] * x[i]
	}
	for i := range 4 {
		g := ph[i] / s
		k.x[i] = x[i] + g*y
		for j := range 4 {
			k.p[i][j] = p[i][j] - g*ph[j]
		}
	}
}

func TestTheYardstickIsAFilter(t *testing.T) {
	k := newKalman4()
	for i := range 400 {
		k.step(3 + 0.5*float64(i))
	}
	if math.Abs(k.x[0]+k.x[3]-(3+0.5*399)) > 0.2 || math.Abs(k.x[1]-0.5) > 0.05 {
		t.Errorf("on a ramp of 0.5 a step it believes a level of %.3f and a rate of %.3f", k.x[0]+k.x[3], k.x[1])
	}
}

// BenchmarkStepByYardstick gives the cost of a tick as a ratio to a step of a Kalman filter
// of four states, taken in turns in the same run: a number that means the same on any CPU,
// emulated ones too. It is the median of the turns.
func BenchmarkStepByYardstick(b *testing.B) {
	const ticksN, filterN = 900, 20000
	var ins []Input
	p := paramsOf(b, "quiet-night")
	drive(b, "quiet-night", func(_ *sim.Van, in Input) {
		if len(ins) < 8*3600 {
			in.Readings = append([]sensors.Reading(nil), in.Readings...)
			ins = append(ins, in)
		}
	})
	c, k := New(p), newKalman4()
	var ratio, tickUS, filterNS []float64
	at, boot := 0, 0
	for b.Loop() {
		from := b.Elapsed()
		for range ticksN {
			if at == len(ins) {
				at, boot = 0, boot+1
			}
			in := ins[at]
			in.Boot += string(rune('a' + boot%26))
			c.Step(in)
			at++
		}
		mid := b.Elapsed()
		for i := range filterN {
			k.step(float64(i % 7))
		}
		tick, filter := (mid-from)/ticksN, float64(b.Elapsed()-mid)/filterN
		ratio = append(ratio, float64(tick)/filter)
		tickUS, filterNS = append(tickUS, float64(tick)/float64(time.Microsecond)), append(filterNS, filter)
	}
	for unit, list := range map[string][]float64{"kalman-steps/tick": ratio, "µs/tick": tickUS, "ns/kalman-step": filterNS} {
		slices.Sort(list)
		b.ReportMetric(list[len(list)/2], unit)
	}
	b.ReportMetric(0, "ns/op") // of a turn; it says nothing
}
