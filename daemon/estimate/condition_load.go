package estimate

import (
	"math"
	"slices"

	"time"
)

// Codes and limits of a 24-bit bridge ADC (sensing.md 3.1).
const (
	adcMaxCounts = 1<<23 - 1 // saturated high
	adcMinCounts = -1 << 23  // saturated low
)

// stuckCodes is how many equal codes in a row prove the load ADC frozen. sensing.md 3.1
// says 20 and estimation.md 2 says 25; the later number is taken, because a false
// "stuck" blinds the scale and five seconds are nothing. A cell at rest moves by tens of
// counts, also after the driver has averaged a tick: in the recordings the longest
// healthy run is 4. Only numbers count, so slow or empty ticks add nothing.
const stuckCodes = 25

// A spike differs from the median of nine readings by more than spikeSigmas robust
// standard deviations and more than spikeKg: somebody sitting down moves the scale by
// less, wind and steps are the estimator's business. When outliersAgree readings in a
// row lie on the same side it was no spike: the cylinder was lifted or put down.
// Hampel's identifier on nine readings (sensing.md 3.1); the 8 and the 0.1 kg are
// engineering judgement.
const (
	spikeSigmas   = 8
	spikeKg       = 0.1
	outliersAgree = 3
)

// madToSigma turns a median absolute deviation into a standard deviation for Gaussian
// noise: 1/0.6745.
const madToSigma = 1.4826

// loadLimits are the counts a working cell can give.
type loadLimits struct {
	lowCounts, highCounts float64
	spikeCounts           float64
}

// newLoadLimits allows half the capacity above it (road shock) and a quarter below zero
// (a hose that pulls, a drifted zero). Without a calibration only the ADC's own range is
// known.
func newLoadLimits(s Scale) loadLimits {
	l := loadLimits{lowCounts: adcMinCounts, highCounts: adcMaxCounts}
	perKg := math.Abs(s.CountsPerKg)
	if perKg == 0 {
		return l
	}
	l.spikeCounts = spikeKg * perKg
	if s.CapacityKg <= 0 {
		return l
	}
	full := s.ZeroCounts + 1.5*s.CapacityKg*s.CountsPerKg
	under := s.ZeroCounts - 0.25*s.CapacityKg*s.CountsPerKg
	l.lowCounts = max(l.lowCounts, min(full, under))
	l.highCounts = min(l.highCounts, max(full, under))
	return l
}

// judgeLoad tests one value of the load cell: the codes a bridge ADC gives when it was
// not ready, saturated or out of step, a frozen code, loads the cell cannot carry, and
// single spikes.
func judgeLoad(c *channel, _ time.Duration, v float64) verdict {
	switch {
	case v >= adcMaxCounts:
		return refuse("saturated: highest code")
	case v <= adcMinCounts:
		return refuse("saturated: lowest code")
	case v == -1:
		return refuse("code -1: read before it was ready")
	case v == 0:
		return refuse("code 0: no chip, or read before it was ready")
	case onesOnly(v):
		return refuse("code 2^n-1: bits slipped")
	case c.mem.Run.N >= stuckCodes:
		return verdict{refused: true, atOnce: true, why: "stuck: 25 equal codes"}
	case v > c.load.highCounts || v < c.load.lowCounts:
		return refuse("beyond what the cell can carry")
	case c.spike(v):
		return refuse("spike")
	}
	return verdict{}
}

// onesOnly reports v = 2^n - 1 for n >= 8: a shift register read while data was high.
func onesOnly(v float64) bool {
	n := int64(v)
	return v == float64(n) && n >= 255 && n&(n+1) == 0
}

// spike keeps the window of recent readings and judges v against it. Readings refused as
// spikes stay in the window: its median does not care, and a real step takes it over.
func (ch *channel) spike(v float64) bool {
	m := &ch.mem
	median, sigma, full := m.Recent.judge(v)
	off := v - median
	if !full || math.Abs(off) <= max(spikeSigmas*sigma, ch.load.spikeCounts) {
		m.Outliers = 0
		return false
	}
	if off < 0 {
		m.Outliers = min(m.Outliers, 0) - 1
	} else {
		m.Outliers = max(m.Outliers, 0) + 1
	}
	if m.Outliers < outliersAgree && m.Outliers > -outliersAgree {
		return true
	}
	m.Outliers = 0
	m.Recent = window9{V: [9]float64{v}, N: 1, Next: 1}
	return false
}

// window9 is the last nine values.
type window9 struct {
	V    [9]float64 `json:"v"`
	N    int        `json:"n"`
	Next int        `json:"next"`
}

// judge takes v in and gives median and robust standard deviation of the window with it.
func (w *window9) judge(v float64) (median, sigma float64, full bool) {
	w.V[w.Next] = v
	w.Next = (w.Next + 1) % len(w.V)
	w.N = min(w.N+1, len(w.V))
	if w.N < len(w.V) {
		return v, 0, false
	}
	s := w.V
	slices.Sort(s[:])
	median = s[4]
	for i := range s {
		s[i] = math.Abs(s[i] - median)
	}
	slices.Sort(s[:])
	return median, madToSigma * s[4], true
}
