package estimate

import (
	"math"
	"slices"
	"time"
)

// leastCleanOhm is the least resistance taken for clean air: the part classes of
// sensing.md 2.1 show 0.7 to 7 kOhm in 1800 ppm and several times that in clean air.
// A van that starts below it starts in vapours or with the wrong resistor, and is judged
// as if clean air were here. Engineering judgement.
const leastCleanOhm = 10000.0

// The baseline is the 90th percentile of a week of two-hour medians (sensing.md 2.4).
const (
	sampleTime      = 5 * time.Minute
	blockSamples    = 24 // two hours
	dayBlocks       = 12
	weekBlocks      = 7 * dayBlocks
	baseQuantile    = 0.9
	basePerDay      = 0.01 // most it moves
	baseSpread      = 0.3  // most it leaves its reference
	settlingFrac    = 0.3  // of resistance, that settling, cold and damp may make of clean air (sensing.md 1.3)
	driftHalved     = 0.5  // cleanest air of a day against that of the day before
	learnBlockCount = weekBlocks
)

// gasBase is what clean air looks like to this sensor.
type gasBase struct {
	CleanOhm float64 `json:"clean_ohm"`          // cleanest air, provisional reference; never falls
	SeenOhm  float64 `json:"seen_ohm,omitempty"` // cleanest minute before there was a reference
	Ohm      float64 `json:"ohm"`                // baseline of the relative channel
	Limited  bool    `json:"limited"`            // it wants to leave its reference by more than 30 %
	Drifting bool    `json:"drifting"`           // cleanest air of the last day is half that of the day before

	SumOhm   float64               `json:"sum_ohm"`
	SumN     int                   `json:"sum_n"`
	FromUp   time.Duration         `json:"from_up"`
	Samples  [blockSamples]float64 `json:"samples"`
	SamplesN int                   `json:"samples_n"`
	Blocks   [weekBlocks]float64   `json:"blocks"`
	BlocksN  int                   `json:"blocks_n"` // ever; grows on
}

// startBlock drops a half-made sample: after a boot its time means nothing.
func (b *gasBase) startBlock() { b.SumOhm, b.SumN = 0, 0 }

// take folds one resistance in. commissionedOhm is the clean air of a configured R0, or 0.
func (b *gasBase) take(up time.Duration, ohm, commissionedOhm float64) {
	if b.SumN > 0 && up-b.FromUp >= sampleTime {
		b.sample(b.SumOhm/float64(b.SumN), commissionedOhm)
		b.startBlock()
	}
	if b.SumN == 0 {
		b.FromUp = up
	}
	b.SumOhm += ohm
	b.SumN++
}

// sample takes the mean of five minutes, and at every 24th moves the baseline.
func (b *gasBase) sample(sample, commissionedOhm float64) {
	clean := max(sample, leastCleanOhm)
	if clean < (1-settlingFrac)*b.SeenOhm {
		clean = b.SeenOhm // vapours have come since
	}
	if b.Ohm == 0 {
		b.Ohm = clean
		if commissionedOhm > 0 {
			b.Ohm = commissionedOhm
		}
	}
	if b.CleanOhm == 0 {
		b.CleanOhm = clean
	}
	b.Samples[b.SamplesN] = sample
	if b.SamplesN++; b.SamplesN < blockSamples {
		return
	}
	b.SamplesN = 0
	slices.Sort(b.Samples[:])
	b.Blocks[b.BlocksN%weekBlocks] = b.Samples[blockSamples/2]
	b.BlocksN++
	b.move(commissionedOhm)
	b.drift()
}

// move brings baseline and reference towards the week's quantile. Downwards neither a
// week nor a month of vapours moves the baseline by more than 1 % a day and 30 % in all,
// and the reference not at all. Upwards, towards cleaner air, it may jump while the
// first week is being learnt: that only makes alarms earlier.
func (b *gasBase) move(commissionedOhm float64) {
	target := b.quantile(0, min(b.BlocksN, weekBlocks))
	const pace = basePerDay / dayBlocks
	if b.BlocksN <= learnBlockCount && commissionedOhm == 0 {
		b.CleanOhm = max(b.CleanOhm, target)
		b.Ohm = max(b.Ohm, target)
	}
	b.CleanOhm = max(b.CleanOhm, min(target, b.CleanOhm*(1+pace)))
	b.Ohm = min(max(target, b.Ohm*(1-pace)), b.Ohm*(1+pace))

	anchor := b.CleanOhm
	if commissionedOhm > 0 {
		anchor = commissionedOhm
	}
	low, high := (1-baseSpread)*anchor, (1+baseSpread)*anchor
	b.Limited = target < low || target > high
	b.Ohm = min(max(b.Ohm, low), high)
}

// drift compares the cleanest air of the last day with that of the day before: gas that
// grows too slowly for every other rule still takes the clean hours away.
func (b *gasBase) drift() {
	if b.BlocksN < 2*dayBlocks {
		b.Drifting = false
		return
	}
	b.Drifting = b.quantile(0, dayBlocks) < driftHalved*b.quantile(dayBlocks, dayBlocks)
}

// quantile is the 90th percentile of n blocks, of which the newest is skip blocks old.
func (b *gasBase) quantile(skip, n int) float64 {
	var s [weekBlocks]float64
	for i := range n {
		s[i] = b.Blocks[(b.BlocksN-1-skip-i)%weekBlocks]
	}
	slices.Sort(s[:n])
	return s[int(math.Ceil(baseQuantile*float64(n)))-1]
}

// recentOhm is the resistance of the last minutes, uncorrected, at least 5 s apart.
type recentOhm struct {
	Up   [64]time.Duration `json:"up"`
	Ohm  [64]float64       `json:"ohm"`
	N    int               `json:"n"`
	Next int               `json:"next"`
}

func (r *recentOhm) sound() bool {
	return r.N >= 0 && r.N <= len(r.Up) && r.Next >= 0 && r.Next < len(r.Up)
}

const recentStep = 5 * time.Second

func (r *recentOhm) take(up time.Duration, ohm float64) {
	if r.N > 0 && up-r.Up[(r.Next+len(r.Up)-1)%len(r.Up)] < recentStep {
		return
	}
	r.Up[r.Next], r.Ohm[r.Next] = up, ohm
	r.Next = (r.Next + 1) % len(r.Up)
	r.N = min(r.N+1, len(r.Up))
}

// highest is the cleanest resistance within the time before up.
func (r *recentOhm) highest(up, within time.Duration) (float64, bool) {
	top := 0.0
	for i := 1; i <= r.N; i++ {
		j := (r.Next + len(r.Up) - i) % len(r.Up)
		if up-r.Up[j] > within {
			break
		}
		top = max(top, r.Ohm[j])
	}
	return top, top > 0
}

// lowest is the least clean resistance within the time before up.
func (r *recentOhm) lowest(up, within time.Duration) (float64, bool) {
	low := math.Inf(1)
	for i := 1; i <= r.N; i++ {
		j := (r.Next + len(r.Up) - i) % len(r.Up)
		if up-r.Up[j] > within {
			break
		}
		low = min(low, r.Ohm[j])
	}
	return low, !math.IsInf(low, 1)
}

// decaying reports that the vapour has been going away for five minutes.
func (r *recentOhm) decaying(up time.Duration, ohm float64) bool {
	for i := 1; i <= r.N; i++ {
		j := (r.Next + len(r.Up) - i) % len(r.Up)
		if age := up - r.Up[j]; age >= decayingOver-2*longestTick {
			return age <= decayingOver+2*longestTick && ohm > decayingRatio*r.Ohm[j]
		}
	}
	return false
}

// gasNoiseMeter compares the noise of the last minute with that of hours. It looks at
// second differences, so that a cloud coming up is a slope and not noise; that holds only
// for readings close together, so a sensor read more slowly than noiseSpacing has no
// noise test. One sample counts for at most four floors, so that a single step of the
// signal, which may be gas, is never noise.
type gasNoiseMeter struct {
	V       [2]float64    `json:"v"`
	N       int           `json:"n"`
	Up      time.Duration `json:"up"`
	FastV   float64       `json:"fast_v"`
	UsualV  float64       `json:"usual_v"`
	Learned time.Duration `json:"learned"`
}

func (n *gasNoiseMeter) take(up time.Duration, v, floorV float64) {
	dt := up - n.Up
	n.Up = up
	if dt > noiseSpacing {
		n.N = 0
	}
	if n.N >= 2 {
		n.FastV += (min(math.Abs(v-2*n.V[1]+n.V[0]), 4*floorV) - n.FastV) * share(dt, noiseTime)
	}
	n.V[0], n.V[1] = n.V[1], v
	n.N = min(n.N+1, 2)
}

// learn lets the usual noise follow, over an hour.
func (n *gasNoiseMeter) learn(dt time.Duration) {
	if n.N < 2 || dt > noiseSpacing {
		return
	}
	n.Learned += dt
	n.UsualV += (n.FastV - n.UsualV) * share(dt, min(n.Learned+noiseTime, noiseLearnTime))
}

func share(dt, tau time.Duration) float64 { return dt.Seconds() / (tau + dt).Seconds() }

func (n *gasNoiseMeter) tooMuch(floorV float64) bool {
	return n.N >= 2 && n.Learned >= noiseLearnTime && n.FastV > max(noiseTimes*n.UsualV, floorV)
}
