package nights

import (
	"math"
	"slices"
)

// What is taken of a van before its nights have spoken. Engineering judgement, no published
// source: 20 to 35 m2 of skin at 0.6 to 1.5 W/m2K with its bridges and windows, 10 to 40 m3/h
// of air, a heater of 75 to 90 % give 20 to 80 W/K of fuel; two sleepers and an evening's
// cooking give 100 to 250 W. The spread is estimation.md 1 (9.4 % from night to night), as
// the scale of Student's distribution.
const (
	typicalWPerK       = 35.0
	typicalWPerKLn     = 0.54 // of its logarithm: 12 to 100 W/K
	typicalGainsW      = 160.0
	typicalGainsSDW    = 90.0
	typicalSpreadFrac  = 0.085
	typicalSpreadLn    = 0.4 // 4 to 19 %
	typicalCabinC      = 18.0
	typicalCabinSDK    = 2.0
	habitW             = 20.0 // what a night differs by, however mild: people, pots, the weighing of both
	studentNu          = 4.0
	quadratureReach    = 3   // nodes to each side
	quadratureStep     = 1.1 // standard deviations between them
	leastBeliefFrac    = 1e-5
	leastStretchFactor = 0.1 // variance that a direction keeps while the nodes close in
)

// belief is one van that the nights may have been lived in, and how likely it is.
type belief struct {
	wPerK, gainsW float64
	spreadFrac    float64 // scale of a night about its line, as a part of its fuel
	likelyFrac    float64 // all beliefs together are 1
}

// triple is a point in the space of the fit: logarithm of W/K, gains in W, logarithm of the
// spread.
type triple [3]float64

// fitHeat is the whole posterior of a small Bayesian regression, as beliefs with weights.
//
// The night's mean fuel heat is k lift - gains, about which nights scatter by Student's
// distribution with four degrees of freedom, in proportion to the fuel and by habitW. Its
// loss grows with the logarithm of a large residual where least squares has the square: a
// night far off (the door open, a storm, sun on the roof in the morning) loses its pull the
// farther off it is, and no night is thrown out by a threshold. Huber's loss would let it
// pull with full force for ever, always towards more heat, since doors are left open and
// never more than shut.
//
// A night weighs exp(-n/20) after n later ones, as in recursive least squares with that
// forgetting. It is not a recursion, so that a night is judged by those after it as well:
// who leaves the door open on the second night would else live with it for a month.
// The price is width: on invented vans, steady ones and ones that wander by half a per cent
// a night, the 95 % interval of the W/K held in 98 %; that of a night's fuel held in 95 %
// (heatloss_weather_test.go).
//
// There are three unknowns, so the posterior is summed over nodes, with no sampling: 343 of
// them, which begin over the prior and close in as the nights are let in step by step.
// Without nights the beliefs are the prior.
func fitHeat(nights []heatNight) []belief {
	center := triple{math.Log(typicalWPerK), typicalGainsW, math.Log(typicalSpreadFrac)}
	axes := [3]triple{{typicalWPerKLn}, {0, typicalGainsSDW}, {0, 0, typicalSpreadLn}}
	steps := []float64{1}
	if len(nights) > 0 {
		steps = []float64{0.01, 0.05, 0.25, 1, 1, 1, 1}
	}
	forgotten := make([]float64, len(nights))
	for i := range nights {
		forgotten[i] = remembered(nights, i)
	}
	var at []triple
	var likely []float64
	for i, letIn := range steps {
		at, likely = nodes(center, axes, func(p triple) float64 { return priorLn(p) + letIn*nightsLn(p, nights, forgotten) })
		if i < len(steps)-1 {
			center, axes = closeIn(at, likely, axes)
		}
	}
	var out []belief
	sum := 0.0
	for i, p := range at {
		if likely[i] >= leastBeliefFrac {
			out = append(out, belief{math.Exp(p[0]), p[1], math.Exp(p[2]), likely[i]})
			sum += likely[i]
		}
	}
	for i := range out {
		out[i].likelyFrac /= sum
	}
	return out
}

func priorLn(p triple) float64 {
	a := (p[0] - math.Log(typicalWPerK)) / typicalWPerKLn
	b := (p[1] - typicalGainsW) / typicalGainsSDW
	c := (p[2] - math.Log(typicalSpreadFrac)) / typicalSpreadLn
	return -(a*a + b*b + c*c) / 2
}

// nightsLn is the logarithm of the likelihood, without its constant.
func nightsLn(p triple, nights []heatNight, forgotten []float64) float64 {
	wPerK, spreadFrac := math.Exp(p[0]), math.Exp(p[2])
	sum := 0.0
	for i, x := range nights {
		mean, scale2 := night(wPerK, p[1], spreadFrac, x.LiftK)
		scale2 += x.WeighW * x.WeighW
		r := x.FuelW - mean
		sum -= forgotten[i] * (math.Log(scale2)/2 + (studentNu+1)/2*math.Log1p(r*r/(studentNu*scale2)))
	}
	return sum
}

// night is the middle of a night's fuel heat and the square of its scale.
func night(wPerK, gainsW, spreadFrac, liftK float64) (meanW, scale2 float64) {
	meanW = max(0, wPerK*liftK-gainsW)
	s := spreadFrac * meanW
	return meanW, s*s + habitW*habitW
}

// turned is a rotation of the nodes, so that seen along an axis few of them cover each other.
var turned = [3]triple{{2. / 3, -1. / 3, 2. / 3}, {2. / 3, 2. / 3, -1. / 3}, {-1. / 3, 2. / 3, 2. / 3}}

// nodes weighs the points of a turned lattice about center; axes is the lower triangle of
// the spread to be covered. The weights sum to 1.
func nodes(center triple, axes [3]triple, ln func(triple) float64) (at []triple, likely []float64) {
	most := math.Inf(-1)
	for a := -quadratureReach; a <= quadratureReach; a++ {
		for b := -quadratureReach; b <= quadratureReach; b++ {
			for c := -quadratureReach; c <= quadratureReach; c++ {
				z := times(turned, triple{float64(a), float64(b), float64(c)})
				d := times(axes, z)
				p := center
				for i := range p {
					p[i] += quadratureStep * d[i]
				}
				v := ln(p)
				at, likely, most = append(at, p), append(likely, v), max(most, v)
			}
		}
	}
	sum := 0.0
	for i, v := range likely {
		likely[i] = math.Exp(v - most)
		sum += likely[i]
	}
	for i := range likely {
		likely[i] /= sum
	}
	return at, likely
}

func times(m [3]triple, v triple) (out triple) {
	for i, row := range m {
		for j, x := range row {
			out[i] += x * v[j]
		}
	}
	return out
}

// closeIn is the middle and the spread of weighed nodes. Where all the weight lies on one,
// a tenth of the variance before is kept, so that the next nodes still look about them.
func closeIn(at []triple, likely []float64, axes [3]triple) (center triple, closer [3]triple) {
	for n, p := range at {
		for i := range p {
			center[i] += likely[n] * p[i]
		}
	}
	var cov [3]triple
	for i := range 3 {
		for j := range i + 1 {
			for n, p := range at {
				cov[i][j] += likely[n] * (p[i] - center[i]) * (p[j] - center[j])
			}
			for k := range 3 {
				cov[i][j] += leastStretchFactor * axes[i][k] * axes[j][k]
			}
		}
	}
	for i := range 3 { // Cholesky; the kept part makes it definite
		for j := range i + 1 {
			v := cov[i][j]
			for k := range j {
				v -= closer[i][k] * closer[j][k]
			}
			if i == j {
				closer[i][i] = math.Sqrt(v)
			} else {
				closer[i][j] = v / closer[j][j]
			}
		}
	}
	return center, closer
}

// quantile is the value that the part odds of the beliefs does not exceed, between 0 and 1.
func quantile(beliefs []belief, of func(belief) float64, odds float64) float64 {
	type weighed struct{ v, w float64 }
	all := make([]weighed, len(beliefs))
	for i, b := range beliefs {
		all[i] = weighed{of(b), b.likelyFrac}
	}
	slices.SortFunc(all, func(a, b weighed) int {
		switch {
		case a.v < b.v:
			return -1
		case a.v > b.v:
			return 1
		}
		return 0
	})
	// Half of a belief's weight lies on each side of it.
	before, below, belowAt := 0.0, all[0].v, 0.0
	for _, x := range all {
		at := before + x.w/2
		if at >= odds {
			if at == belowAt {
				return x.v
			}
			return below + (x.v-below)*(odds-belowAt)/(at-belowAt)
		}
		before, below, belowAt = before+x.w, x.v, at
	}
	return below
}

// nightAhead is a night to come under every belief.
type nightAhead struct {
	beliefs      []belief
	liftK, sdInK float64
}

// fuelW is the mean fuel heat that such a night does not exceed with the given odds; below
// nothing it burns nothing.
func (p nightAhead) fuelW(odds float64) float64 {
	low, high := 0.0, 1.0
	for p.notAbove(high) < odds && high < 1e9 {
		high *= 2
	}
	if p.notAbove(low) >= odds {
		return 0
	}
	for high-low > 0.01 {
		if mid := (low + high) / 2; p.notAbove(mid) < odds {
			low = mid
		} else {
			high = mid
		}
	}
	return (low + high) / 2
}

// notAbove is how likely the night's fuel heat is no more than w.
func (p nightAhead) notAbove(w float64) (odds float64) {
	for _, b := range p.beliefs {
		mean, scale2 := night(b.wPerK, b.gainsW, b.spreadFrac, p.liftK)
		scale2 += b.wPerK * b.wPerK * p.sdInK * p.sdInK
		odds += b.likelyFrac * studentCDF((w-mean)/math.Sqrt(scale2))
	}
	return odds
}

// studentCDF is the distribution of Student's t with four degrees of freedom, in closed form
// (from memory; a test holds it against the integral of the density).
func studentCDF(t float64) float64 {
	s := 1 + t*t/4
	return 0.5 + 0.375*t/math.Sqrt(s)*(1-t*t/(12*s))
}
