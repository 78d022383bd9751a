package estimate

import (
	"math"

	"frostline/daemon/lpg"
)

// How weights behave in blocks of 10 s (estimation.md 2, start values measured on the
// models there): the level wanders, people move, and some blocks are wrong.
const (
	walkOfNoise   = 0.48    // level walk per 10 s, as a part of the block noise
	walkLeastKg   = 0.00008 // of a good cell
	walkMostKg    = 0.0003  // wind makes blocks noisy, it does not make the level wander
	jumpKg        = 0.0026  // sd of a weight jump of people aboard
	jumpFrac      = 0.02    // of blocks
	leapKg        = 0.015   // sd of a larger one: somebody sits down, a strap slips
	leapFrac      = 0.004   // engineering judgement
	outlierKg     = 0.040   // sd of a wrong block
	outlierFrac   = 0.015   // of blocks
	quietPrior    = 0.6     // that nothing burns when the scale has come to rest
	oddFrac       = 0.05    // of the switches: to any rate at all
	ratesLeastN   = 24      // hypotheses
	ratesMostN    = 64      //
	rateStepKgH   = 0.010   // between them, where ratesMostN allows
	rateBeyond    = 1.2     // highest hypothesis over all appliances at their plate
	unratedKgPerH = 0.5     // highest burn assumed when no appliance is configured
	plateSDFrac   = 0.08    // real rates differ from the plate by up to a tenth
	lossFeedbackS = 900     // in which the burned total is brought to agree with the weight
	tiny          = 1e-300  // below it a likelihood says nothing
)

// blockKinds are what a block may be: a jump moves the level, an outlier is only wrong.
var blockKinds = [...]struct{ frac, jump2, wrong2 float64 }{
	{1 - jumpFrac - leapFrac - outlierFrac, 0, 0},
	{jumpFrac, jumpKg * jumpKg, 0},
	{leapFrac, leapKg * leapKg, 0},
	{outlierFrac, 0, outlierKg * outlierKg},
}

// kgPerHFromKW is the burn of an appliance by its input on the net heating value, of
// propane; 0 for an input no appliance has.
func kgPerHFromKW(kw float64) float64 {
	kgPerH, _ := lpg.Pure(lpg.Propane).BurnKgPerH(kw, lpg.Net)
	return kgPerH
}

// bank is a set of hypotheses of the burn rate, each with its own Kalman filter of the
// level of the scale. A switch of an appliance moves belief from one hypothesis to those with
// that appliance lit or out; a block that none can explain is a jump or an outlier under all of them, so it
// cannot pass for burn (interacting multiple models with three kinds of block).
type bank struct {
	rate   []float64 // kg/h, ascending from 0
	prior  []float64 // of the weights, knowing nothing; sums to 1
	weight []float64 // sums to 1
	level  []float64 // kg
	varKg2 []float64

	// Which appliances burn is a set of them. leave is how often in a second a burn at a rate
	// becomes one of a set, at is the rates a burn of the set may have, which sum to 1; both
	// are by set, then by rate.
	leave, at []float64
	stay      []float64 // chance of no switch in this step, by rate
	firstS    []float64 // of this step, to the first switch or its end, the mean by rate
	come      []arrival // by set

	levelKg  float64 // over all hypotheses
	levelVar float64
}

// arrival is the belief that switches bring to a set, and the levels it comes with, about the
// common one.
type arrival struct{ weight, offKg, off2Kg2 float64 }

func newBank(highestKgPerH float64, sets int) *bank {
	n := int(math.Ceil(highestKgPerH/rateStepKgH)) + 1
	n = min(max(n, ratesLeastN), ratesMostN)
	all := make([]float64, (7+2*sets)*n)
	next := func(n int) []float64 {
		part := all[:n:n]
		all = all[n:]
		return part
	}
	b := &bank{rate: next(n), prior: next(n), weight: next(n), level: next(n), varKg2: next(n), stay: next(n), firstS: next(n),
		leave: next(sets * n), at: next(sets * n), come: make([]arrival, sets)}
	for j := range b.rate {
		b.rate[j] = highestKgPerH * float64(j) / float64(n-1)
	}
	return b
}

// seat starts the bank at a level, knowing nothing of the burn.
func (b *bank) seat(kg, sdKg float64) {
	copy(b.weight, b.prior)
	for j := range b.level {
		b.level[j], b.varKg2[j] = kg, sdKg*sdKg
	}
	b.levelKg, b.levelVar = kg, sdKg*sdKg
}

// shift moves every level by kg without touching what is believed of the burn.
func (b *bank) shift(kg float64) {
	for j := range b.level {
		b.level[j] += kg
	}
	b.levelKg += kg
}

// ahead is the level expected dtS from now.
func (b *bank) ahead(dtS float64) float64 {
	kg := b.levelKg
	for j, w := range b.weight {
		kg -= w * b.rate[j] * dtS / 3600
	}
	return kg
}

// step moves all hypotheses by dtS and folds in one block. It returns how far the level
// jumped without burn.
func (b *bank) step(dtS, kg, noiseKg float64) (jumpedKg float64) {
	b.mix(dtS)
	walk := min(max(walkOfNoise*noiseKg, walkLeastKg), walkMostKg)
	walk2 := walk * walk * dtS / 10
	noise2 := noiseKg * noiseKg
	sum := 0.0
	for j := range b.rate {
		b.level[j] -= b.rate[j] * dtS / 3600
		b.varKg2[j] += walk2
		lik, jumped := b.fold(j, kg, noise2)
		b.weight[j] *= lik
		sum += b.weight[j]
		jumpedKg += b.weight[j] * jumped
	}
	if sum < tiny { // as surprised as a number can be: the block decides nothing
		copy(b.weight, b.prior)
		b.summarise()
		return 0
	}
	for j := range b.weight {
		b.weight[j] /= sum
	}
	b.summarise()
	return jumpedKg / sum
}

// mix lets appliances be switched in dtS: each hypothesis gives to the sets it may become, and
// those to the rates they may have, with the levels they bring and as uncertain as all that
// comes together is.
func (b *bank) mix(dtS float64) {
	n := len(b.rate)
	for j := range b.stay {
		b.stay[j] = 0
	}
	for i, perS := range b.leave {
		b.stay[i%n] += perS
	}
	for j, perS := range b.stay {
		b.stay[j], b.firstS[j] = math.Exp(-perS*dtS), dtS
		if perS > 0 {
			b.firstS[j] = -math.Expm1(-perS*dtS) / perS
		}
	}
	for s := range b.come {
		var c arrival
		for j, perS := range b.leave[s*n : (s+1)*n] {
			w := b.weight[j] * perS * b.firstS[j] // a second switch within the block is left out
			d := b.level[j] - b.levelKg
			c.weight += w
			c.offKg += w * d
			c.off2Kg2 += w * (b.varKg2[j] + d*d)
		}
		b.come[s] = c
	}
	sum := 0.0
	for j, w := range b.weight {
		d := b.level[j] - b.levelKg
		w *= b.stay[j]
		to := arrival{w, w * d, w * (b.varKg2[j] + d*d)}
		for s, c := range b.come {
			at := b.at[s*n+j]
			to.weight += at * c.weight
			to.offKg += at * c.offKg
			to.off2Kg2 += at * c.off2Kg2
		}
		b.weight[j] = to.weight
		sum += to.weight
		if to.weight < tiny {
			b.level[j], b.varKg2[j] = b.levelKg, b.levelVar
			continue
		}
		d = to.offKg / to.weight
		b.level[j], b.varKg2[j] = b.levelKg+d, max(to.off2Kg2/to.weight-d*d, 0)
	}
	for j := range b.weight {
		b.weight[j] /= sum
	}
}

// fold updates one hypothesis with a block that is ordinary, a jump, a leap or an outlier,
// in the proportion each explains it, and returns the likelihood and how far it jumped.
func (b *bank) fold(j int, kg, noise2 float64) (lik, jumpedKg float64) {
	v := b.varKg2[j]
	s := kg - b.level[j]
	var mean, second, left float64 // of the gain, and the variance left
	for _, k := range blockKinds {
		prior := v + k.jump2 // of the level, if the block is of this kind
		of := prior + noise2 + k.wrong2
		p := k.frac * math.Exp(-0.5*s*s/of) / math.Sqrt(of)
		gain := prior / of
		lik += p
		mean += p * gain
		second += p * gain * gain
		left += p * prior * (1 - gain)
		if k.jump2 > 0 {
			jumpedKg += p * gain * s
		}
	}
	if lik < tiny {
		return lik, 0
	}
	mean, second, left = mean/lik, second/lik, left/lik
	b.level[j] += mean * s
	b.varKg2[j] = left + (second-mean*mean)*s*s
	return lik, jumpedKg / lik
}

func (b *bank) summarise() {
	m, v := 0.0, 0.0
	for j, w := range b.weight {
		m += w * b.level[j]
	}
	for j, w := range b.weight {
		d := b.level[j] - m
		v += w * (b.varKg2[j] + d*d)
	}
	b.levelKg, b.levelVar = m, v
}

// mean is the expected burn in kg/h.
func (b *bank) mean() float64 {
	r := 0.0
	for j, w := range b.weight {
		r += w * b.rate[j]
	}
	return r
}

// off is the belief that nothing burns.
func (b *bank) off() float64 { return b.weight[0] }

// quantile is the burn that is not exceeded with probability q. A hypothesis stands for
// the rates around it, evenly; the first for none.
func (b *bank) quantile(q float64) float64 {
	half := (b.rate[1] - b.rate[0]) / 2
	sum := 0.0
	for j, w := range b.weight {
		if sum+w >= q {
			if j == 0 || w <= 0 {
				return b.rate[j]
			}
			return b.rate[j] - half + 2*half*(q-sum)/w
		}
		sum += w
	}
	return b.rate[len(b.rate)-1] + half
}

// above is the belief that the burn is at least r.
func (b *bank) above(r float64) float64 {
	sum := 0.0
	for j, w := range b.weight {
		if b.rate[j] >= r {
			sum += w
		}
	}
	return sum
}
