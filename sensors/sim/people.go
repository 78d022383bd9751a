package sim

import "math/rand/v2"

// people are the occupants: they sleep, sit, move about and cook.
type people struct {
	rng     *rand.Rand
	count   int
	awayS   float64 // left of an absence
	awake   bool
	burstS  float64 // left of a spell of moving about
	offsetG float64 // of the scale, by where they sit
	swing   float64 // 1-s mean of the body's sway in g, this tick
}

// What people do to the scale. While they move about, means of 1 s scatter by 30 g and of
// 10 s, 1 min and 10 min by about 10, 4 and 1.2 g (sensing.md 3.7, "occupied"); afterwards
// they sit elsewhere, a jump of 2.6 g rms (estimation.md 2). A sleeper turns over a few
// times an hour: 35 g in each sample of a 1.5 Hz sway (sensing.md 3.5) is 8 g in a mean of
// 1 s. How often and how long: engineering judgement.
const (
	moveG        = 30.0
	turnG        = 8.0
	fidgetG      = 0.3
	seatG        = 2.4
	seatKeeps    = 0.4
	movesEveryS  = 480.0
	cookMovesS   = 90.0
	turnsEveryS  = 1800.0
	longestMoveS = 50.0
	longestTurnS = 15.0
)

func (p *people) aboard() bool { return p.count > 0 && p.awayS == 0 }

func (p *people) heatW() float64 {
	if !p.aboard() {
		return 0
	}
	return 80 * float64(p.count)
}

// step lives dt seconds.
func (p *people) step(dt, dayS, wakesS, sleepsS float64, cooking bool) {
	p.awayS = max(0, p.awayS-dt)
	p.awake = dayS >= wakesS && dayS < sleepsS
	if sleepsS < wakesS { // to bed after midnight
		p.awake = dayS >= wakesS || dayS < sleepsS
	}
	p.swing = 0
	if !p.aboard() {
		p.burstS, p.offsetG = 0, 0
		return
	}
	everyS, longestS := movesEveryS, longestMoveS
	switch {
	case !p.awake:
		everyS, longestS = turnsEveryS, longestTurnS
	case cooking:
		everyS = cookMovesS
	}
	if p.burstS > 0 {
		if p.burstS -= dt; p.burstS <= 0 {
			p.burstS = 0
			p.offsetG = seatKeeps*p.offsetG + seatG*p.rng.NormFloat64()
		}
	} else if p.rng.Float64() < dt/everyS {
		p.burstS = longestS * (0.3 + 0.7*p.rng.Float64())
	}
	p.swing = p.sway()
}

// sway draws this second's mean.
func (p *people) sway() float64 {
	z := p.rng.NormFloat64()
	switch {
	case p.burstS > 0 && p.awake:
		return moveG * z * swayScale(p.rng.NormFloat64())
	case p.burstS > 0:
		return turnG * z
	case p.awake:
		return fidgetG * z
	}
	return 0
}

// kitchen is the cooktop: habits from the scenario, and what events add.
type kitchen struct {
	spec    CooktopSpec
	rng     *rand.Rand
	meals   []Meal
	atS     []float64 // today's beginning of each, local seconds of the day
	event   [2]pot    // scripted
	dayS    float64
	kw      float64 // both burners
	burning int     // burners with a flame
	lit     int     // lit in this tick: a puff each
}

type pot struct{ kw, leftS float64 }

// newDay draws when today's meals begin: the habit, give or take some minutes.
func (k *kitchen) newDay() {
	for i, m := range k.meals {
		k.atS[i] = m.At.Seconds() + 300*k.rng.NormFloat64()
	}
}

// step says how much the burners ask for. Nobody cooks unless awake and aboard.
func (k *kitchen) step(dt, dayS float64, someone bool) {
	if dayS < k.dayS {
		k.newDay()
	}
	k.dayS = dayS
	kw, burning := 0.0, 0
	for i, m := range k.meals {
		if someone && burning < 2 && dayS >= k.atS[i] && dayS < k.atS[i]+m.For.Seconds() {
			kw += k.set(m.KW)
			burning++
		}
	}
	for i := range k.event {
		if e := &k.event[i]; e.leftS > 0 {
			e.leftS -= dt
			if burning < 2 {
				kw += k.set(e.kw)
				burning++
			}
		}
	}
	k.lit = max(0, burning-k.burning)
	k.kw, k.burning = kw, burning
}

func (k *kitchen) set(kw float64) float64 { return min(max(kw, k.spec.MinKW), k.spec.KW) }

// cook adds a scripted pot.
func (k *kitchen) cook(kw, forS float64) {
	for i := range k.event {
		if k.event[i].leftS <= 0 {
			k.event[i] = pot{kw, forS}
			return
		}
	}
}
