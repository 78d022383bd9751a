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
	switchEveryS  = 900     // mean time between two switches of an appliance
	quietPrior    = 0.6     // of a switch: it ends at nothing burning
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
// level of the scale. A switch of an appliance moves belief from one hypothesis to the
// others; a block that none can explain is a jump or an outlier under all of them, so it
// cannot pass for burn (interacting multiple models with three kinds of block).
type bank struct {
	rate     []float64 // kg/h, ascending from 0
	switched []float64 // where a switch ends, sums to 1
	weight   []float64 // sums to 1
	level    []float64 // kg
	varKg2   []float64

	levelKg  float64 // over all hypotheses
	levelVar float64
}

func newBank(highestKgPerH float64) *bank {
	n := int(math.Ceil(highestKgPerH/rateStepKgH)) + 1
	n = min(max(n, ratesLeastN), ratesMostN)
	all := make([]float64, 5*n)
	b := &bank{rate: all[:n], switched: all[n : 2*n], weight: all[2*n : 3*n], level: all[3*n : 4*n], varKg2: all[4*n:]}
	for j := range b.rate {
		b.rate[j] = highestKgPerH * float64(j) / float64(n-1)
	}
	return b
}

// seat starts the bank at a level, knowing nothing of the burn.
func (b *bank) seat(kg, sdKg float64) {
	copy(b.weight, b.switched)
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
	b.mix(1 - math.Exp(-dtS/switchEveryS))
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
		copy(b.weight, b.switched)
		b.summarise()
		return 0
	}
	for j := range b.weight {
		b.weight[j] /= sum
	}
	b.summarise()
	return jumpedKg / sum
}

// mix lets a switch happen with probability p: every hypothesis takes a part of the common
// level, as uncertain as all hypotheses together are.
func (b *bank) mix(p float64) {
	for j, w := range b.weight {
		stay, come := (1-p)*w, p*b.switched[j]
		total := stay + come
		if total < tiny {
			b.weight[j], b.level[j], b.varKg2[j] = total, b.levelKg, b.levelVar
			continue
		}
		f := come / total
		d := b.levelKg - b.level[j]
		b.varKg2[j] = (1-f)*b.varKg2[j] + f*b.levelVar + f*(1-f)*d*d
		b.level[j] += f * d
		b.weight[j] = total
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
