package nights

import (
	"math"

	"frostline/daemon/lpg"
	"frostline/daemon/supply"
)

// The forecast follows the liquid of a cylinder through the night many times a minute of
// every day, so what the equations of state say is looked up. Nodes are 2 K apart. Those of a
// blend lie closer where it is lean: its pressure is about p (1 + k x), so its logarithm is a
// straight line of ln(1 + k x) and not of x. Between the nodes the pressure is off by less than
// 0.3 %, heat capacity, heat of withdrawal and conductance by less than 1 % (own test).
const (
	liquidLeastC = lpg.MinBlendTempC
	liquidMostC  = lpg.MaxBlendTempC
	liquidStepK  = 2.0
	liquidNodesN = int((liquidMostC-liquidLeastC)/liquidStepK) + 1
	blendNodesN  = 13
	blendCurve   = 4.0                // k: propane's pressure over butane's less one, at -10 to 0 °C
	blendLn      = 1.6094379124341003 // ln(1 + k)
	levelNodesN  = 33
)

// liquidNode is the fuel at one temperature and composition.
type liquidNode struct {
	lnKPa      float64 // of the bubble pressure
	emptyJPerK float64 // two-phase heat capacity at no contents, by the line that it is
	jPerKgK    float64 // and for each kg
	kJPerKg    float64 // heat of withdrawal
	gasFrac    float64 // propane by mass in the vapour
	liquidDens float64 // kg/m3
	gasDens    float64
}

// liquidTable is a cylinder's shape and its fuel, tabulated. It is made again when another
// cylinder comes; the zero table fits none.
type liquidTable struct {
	shape  supply.Cylinder
	blend  bool
	nodes  [blendNodesN][liquidNodesN]liquidNode // pure propane fills the last row only
	perU   [levelNodesN]float64                  // wall area that takes heat, m2, by the root of the part of the volume under liquid
	filled bool
}

// of makes the table anew unless it is already that of the shape and fuel; false where one
// of its numbers is refused.
func (t *liquidTable) of(shape supply.Cylinder, blend bool) bool {
	if t.filled && t.shape == shape && t.blend == blend {
		return true
	}
	*t = liquidTable{shape: shape, blend: blend}
	for i := range levelNodesN {
		root := float64(i) / (levelNodesN - 1) // the bottom is round: near it the wall grows as the root of the volume
		ua, ok := shape.UAWPerK(shape.VolumeL*root*root, supply.FilmWPerM2K)
		if !ok {
			return false
		}
		t.perU[i] = ua / supply.FilmWPerM2K
	}
	first := blendNodesN - 1
	if blend {
		first = 0
	}
	for i := first; i < blendNodesN; i++ {
		frac := math.Expm1(float64(i)/(blendNodesN-1)*blendLn) / blendCurve
		fuel, ok := lpg.BlendByMass(min(frac, 1), lpg.NButane)
		for k := 0; ok && k < liquidNodesN; k++ {
			t.nodes[i][k], ok = nodeOf(fuel, liquidLeastC+liquidStepK*float64(k), shape.VolumeL)
		}
		if !ok {
			return false
		}
	}
	t.filled = true
	return true
}

func nodeOf(f lpg.Fuel, c, volumeL float64) (n liquidNode, ok bool) {
	kPa, ok1 := f.BubbleKPa(c)
	liquid, ok2 := f.LiquidKgPerM3(c)
	gas, ok3 := f.VapourKgPerM3(c)
	heat, ok4 := f.WithdrawalKJPerKg(c)
	vapour, ok5 := f.Vapour(c)
	// At one temperature the capacity is a straight line of the contents.
	const lessFrac, moreFrac = 0.3, 0.6
	lessKg, moreKg := lessFrac*liquid*volumeL/1000, moreFrac*liquid*volumeL/1000
	less, ok6 := f.TwoPhaseJPerK(c, lessKg, volumeL)
	more, ok7 := f.TwoPhaseJPerK(c, moreKg, volumeL)
	if !ok1 || !ok2 || !ok3 || !ok4 || !ok5 || !ok6 || !ok7 {
		return n, false
	}
	slope := (more - less) / (moreKg - lessKg)
	return liquidNode{math.Log(kPa), less - slope*lessKg, slope, heat, vapour.PropaneMassFrac(), liquid, gas}, true
}

// mix is a place between two rows of the table, or with one row pure propane.
type mix struct {
	low, high *[liquidNodesN]liquidNode
	part      float64
}

// mixed is the place of a composition.
func (t *liquidTable) mixed(propaneFrac float64) mix {
	if !t.blend {
		return mix{low: &t.nodes[blendNodesN-1]}
	}
	i, part := place(math.Log(1+blendCurve*max(propaneFrac, 0))*((blendNodesN-1)/blendLn), blendNodesN)
	return mix{&t.nodes[i], &t.nodes[i+1], part}
}

// at is the fuel at a temperature, held at the ends of the table.
func (m mix) at(c float64) liquidNode {
	k, b := place((c-liquidLeastC)/liquidStepK, liquidNodesN)
	n := between(&m.low[k], &m.low[k+1], b)
	if m.high == nil {
		return n
	}
	high := between(&m.high[k], &m.high[k+1], b)
	return between(&n, &high, m.part)
}

// lnKPa is the pressure's logarithm at a node.
func (m mix) lnKPa(k int) float64 {
	if m.high == nil {
		return m.low[k].lnKPa
	}
	return (1-m.part)*m.low[k].lnKPa + m.part*m.high[k].lnKPa
}

// limitC is the temperature at which the liquid has the pressure, within the table.
func (m mix) limitC(lnKPa float64) float64 {
	low, high := 0, liquidNodesN-1
	for high-low > 1 {
		if mid := (low + high) / 2; m.lnKPa(mid) <= lnKPa {
			low = mid
		} else {
			high = mid
		}
	}
	p, q := m.lnKPa(low), m.lnKPa(high)
	part := min(max((lnKPa-p)/(q-p), 0), 1)
	return liquidLeastC + liquidStepK*(float64(low)+part)
}

// place is the node below x and how far x lies beyond it, 0 to 1; NaN is at the first.
func place(x float64, n int) (int, float64) {
	if !(x > 0) {
		x = 0
	}
	x = min(x, float64(n-1))
	i := min(int(x), n-2)
	return i, x - float64(i)
}

func between(p, q *liquidNode, b float64) liquidNode {
	a := 1 - b
	return liquidNode{a*p.lnKPa + b*q.lnKPa, a*p.emptyJPerK + b*q.emptyJPerK, a*p.jPerKgK + b*q.jPerKgK,
		a*p.kJPerKg + b*q.kJPerKg, a*p.gasFrac + b*q.gasFrac, a*p.liquidDens + b*q.liquidDens, a*p.gasDens + b*q.gasDens}
}

// areaM2 is the wall that takes heat from the air; false when no liquid is left.
func (t *liquidTable) areaM2(n *liquidNode, kg float64) (float64, bool) {
	volumeM3 := t.shape.VolumeL / 1000
	liquidM3 := (kg - n.gasDens*volumeM3) / (n.liquidDens - n.gasDens)
	if liquidM3 <= 0 {
		return 0, false
	}
	i, a := place(math.Sqrt(liquidM3/volumeM3)*(levelNodesN-1), levelNodesN)
	return (1-a)*t.perU[i] + a*t.perU[i+1], true
}

// fading is (1-exp(-x))/x: what is left of the rate over a step of x time constants, as the
// difference to the air shrinks. Its inverse is x/(1-exp(-x)), whose series has Bernoulli's
// numbers and at one time constant is off by 3e-5.
func fading(x float64) float64 {
	if x > 1 {
		return -math.Expm1(-x) / x
	}
	return 1 / (1 + x*(0.5+x*(1./12-x*x/720)))
}

// chill is one cylinder on its way through a night.
type chill struct {
	t           *liquidTable
	kg          float64
	tempC       float64
	propaneFrac float64
	lnGrade     float64 // of the pressure over the blend's own
	lnLeastKPa  float64 // absolute, that the regulator needs
	filmWPerM2K float64
}

// cooled is one step of it.
type cooled struct {
	drawnKg      float64
	spareK       float64 // liquid at the end above what the regulator needs, with all that was asked for; below 0 it starves
	steadyKgPerH float64 // that this air could boil off for ever
}

// step draws askKgPerH for hours in air of airC. What would bring the pressure below the
// regulator's need is not drawn. False when the last liquid has gone.
func (s *chill) step(askKgPerH, airC, hours float64) (out cooled, ok bool) {
	m := s.t.mixed(s.propaneFrac)
	n := m.at(s.tempC)
	area, ok := s.t.areaM2(&n, s.kg-askKgPerH*hours/2)
	if !ok {
		return cooled{}, false
	}
	ua := s.filmWPerM2K * area
	capacity := n.emptyJPerK + n.jPerKgK*(s.kg-askKgPerH*hours/2) + s.t.shape.WallJPerK
	x := hours * 3600 * ua / capacity
	fade := fading(x)
	perKgPerH := n.kJPerKg / 3.6 * hours * 3600 * fade / capacity
	idle := ua * (airC - s.tempC) * hours * 3600 * fade / capacity
	limitC := m.limitC(s.lnLeastKPa - s.lnGrade)
	out.steadyKgPerH = max(0, 3.6*ua*(airC-limitC)/n.kJPerKg)
	endC := s.tempC + idle - askKgPerH*perKgPerH
	out.spareK = endC - limitC
	drawKgPerH := askKgPerH
	if endC < limitC {
		drawKgPerH = min(max((s.tempC+idle-limitC)/perKgPerH, 0), askKgPerH)
		endC = s.tempC + idle - drawKgPerH*perKgPerH
	}
	out.drawnKg = drawKgPerH * hours
	if s.t.blend && out.drawnKg > 0 {
		left := s.kg - out.drawnKg
		if left <= 0 {
			return cooled{}, false
		}
		s.propaneFrac = min(max((s.propaneFrac*s.kg-n.gasFrac*out.drawnKg)/left, 0), 1)
	}
	s.kg -= out.drawnKg
	s.tempC = endC
	return out, s.kg > 0
}
