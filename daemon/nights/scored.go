package nights

import (
	"math"
	"slices"
	"time"
)

// A forecast is remembered when its night begins and written into the night's row, so that
// the rows are all that a score needs: what the ledger says of its forecasts anybody can
// work out again from the file.

const (
	forecastLatest = 30 * time.Minute // into the night; a later one has seen part of the answer
	leastShortH    = 0.5              // of starving; such a night burned what there was, not what it needed
	scoredGapFrac  = 0.25             // of the window; with more unseen a row is no witness

	saidFrac     = 0.95  // of the nights that an interval is said to hold
	doubtFrac    = 0.025 // rarer by chance than this, and the intervals were too narrow
	shrinkNights = 2.    // that speak for intervals as they are
	mostWider    = 4.0   // beyond it a forecast says nothing anyway
	leastHalfKg  = 0.01  // no forecast is better than two weighings
)

// promise is the forecast of one night. Its fields are exported for the checkpoint only.
type promise struct {
	Ends              time.Time // of the night it is for
	Kg, LowKg, HighKg float64
	WiderRatio        float64
	HasLow            bool `json:",omitempty"`
	LowC, LeastC      float64
	MostC             float64
}

// into writes the forecast beside what came of it.
func (p *promise) into(n *Night) {
	if p == nil {
		return
	}
	n.ForecastKg, n.ForecastLowKg, n.ForecastHighKg = num(p.Kg, 4), num(p.LowKg, 4), num(p.HighKg, 4)
	if p.WiderRatio > 1 {
		n.ForecastWiderRatio = num(p.WiderRatio, 2)
	}
	if p.HasLow {
		n.ExpectedLowC, n.ExpectedLowLeastC, n.ExpectedLowMostC = num(p.LowC, 1), num(p.LeastC, 1), num(p.MostC, 1)
	}
}

// lookAhead keeps the newest forecast of the coming night, for a program that is not running
// when it begins.
func (l *Ledger) lookAhead(up time.Duration) {
	if l.tonightAt != up {
		return
	}
	if p, ok := l.promised(); ok {
		l.ahead = p
	}
}

// promised is the forecast at hand, if it says a night's fuel and which night's.
func (l *Ledger) promised() (promise, bool) {
	t := &l.tonight
	if !l.hasTonight || !t.NightKg.Known() || t.EndsWall.IsZero() {
		return promise{}, false
	}
	p := promise{Ends: t.EndsWall, Kg: t.NightKg.Value, LowKg: t.NightKg.Low, HighKg: t.NightKg.High, WiderRatio: l.wider()}
	if q := t.ExpectedLowC; q.Known() {
		p.HasLow, p.LowC, p.LeastC, p.MostC = true, q.Value, q.Low, q.High
	}
	return p, true
}

// remember holds the forecast of the night that begins.
func (l *Ledger) remember(r *running, wall time.Time) {
	if r.Forecast != nil || wall.Sub(r.From) > forecastLatest && !l.ahead.Ends.Equal(r.To) {
		return
	}
	p, ok := l.promised()
	if !ok || !p.Ends.Equal(r.To) || wall.Sub(r.From) > forecastLatest {
		p = l.ahead
	}
	if p.Ends.Equal(r.To) {
		r.Forecast = &p
	}
}

// Calibration is what became of the forecasts of the rows looked at. Without a row the means
// mean nothing.
type Calibration struct {
	NightsN    int     // with a forecast of their fuel, watched enough to judge it
	HeldN      int     // of them within its 95 % interval
	MeanErrKg  float64 // burned less forecast, in the mean
	RMSErrKg   float64 // its root mean square
	WiderRatio float64 // by which the next forecast is widened, 1 or more

	LowsN       int // with an expected low outside
	LowsHeldN   int
	LowMeanErrK float64 // seen less expected, in the mean
	LowRMSErrK  float64
}

// Score compares the forecasts in rows of the ledger with what the rows saw. A night whose
// gas ran short, that hardly anybody watched or that has no date to trust is no witness.
func Score(rows []Night) Calibration {
	c := Calibration{WiderRatio: widerBy(rows)}
	for _, n := range rows {
		if n.Forecasted() {
			err := *n.BurnedKg - *n.ForecastKg
			c.NightsN++
			c.MeanErrKg += err
			c.RMSErrKg += err * err
			if n.ForecastHeld() {
				c.HeldN++
			}
		}
		if !n.ClockUntrusted && n.OutsideLowC != nil && n.ExpectedLowC != nil && n.ExpectedLowLeastC != nil && n.ExpectedLowMostC != nil && !n.gappy() {
			err := *n.OutsideLowC - *n.ExpectedLowC
			c.LowsN++
			c.LowMeanErrK += err
			c.LowRMSErrK += err * err
			if *n.OutsideLowC >= *n.ExpectedLowLeastC && *n.OutsideLowC <= *n.ExpectedLowMostC {
				c.LowsHeldN++
			}
		}
	}
	if k := float64(c.NightsN); k > 0 {
		c.MeanErrKg, c.RMSErrKg = c.MeanErrKg/k, math.Sqrt(c.RMSErrKg/k)
	}
	if k := float64(c.LowsN); k > 0 {
		c.LowMeanErrK, c.LowRMSErrK = c.LowMeanErrK/k, math.Sqrt(c.LowRMSErrK/k)
	}
	return c
}

// Calibration is the score of the rows that the ledger looks back on.
func (l *Ledger) Calibration() Calibration {
	if !l.scored {
		l.calibration, l.scored = Score(l.recent), true
	}
	return l.calibration
}

func (n *Night) gappy() bool { return n.GapH > scoredGapFrac*(n.GapH+n.WatchedH) }

// Forecasted reports whether the row can judge a forecast of its fuel.
func (n *Night) Forecasted() bool {
	if n.BurnedKg == nil || n.ForecastKg == nil || n.ForecastLowKg == nil || n.ForecastHighKg == nil {
		return false
	}
	ordered := *n.ForecastLowKg <= *n.ForecastKg && *n.ForecastKg <= *n.ForecastHighKg // not so for NaN
	return ordered && !n.ClockUntrusted && !n.RanShort && !n.gappy()
}

// ForecastHeld reports whether what was burned lies in the forecast's 95 % interval; false
// unless [Night.Forecasted].
func (n *Night) ForecastHeld() bool {
	return n.Forecasted() && *n.BurnedKg >= *n.ForecastLowKg && *n.BurnedKg <= *n.ForecastHighKg
}

// miss is the error in half widths of the interval as it was before it was widened: above
// 1 it would have missed.
func (n *Night) miss() float64 {
	err, half := *n.BurnedKg-*n.ForecastKg, *n.ForecastHighKg-*n.ForecastKg
	if err < 0 {
		half = *n.ForecastKg - *n.ForecastLowKg
	}
	if w := n.ForecastWiderRatio; w != nil && *w > 1 {
		half /= *w
	}
	return math.Abs(err) / max(half, leastHalfKg)
}

// wider is the factor by which forecasts were too sure so far, 1 or more; a forecast
// multiplies its spread by it.
func (l *Ledger) wider() float64 { return l.Calibration().WiderRatio }

// widerBy is 1 unless fewer intervals held than honest ones would: so few that chance
// makes it rarer than once in forty (the binomial tail of the misses, 5 % each). Then it
// is the factor that would have made 95 % of them hold, the empirical quantile of the
// errors in half widths, drawn towards 1 as if two nights more had been as said. The
// half widths are those before any widening, so the factor does not chase itself, and it
// shrinks as better forecasts push worse ones out of the rows.
func widerBy(rows []Night) float64 {
	var misses []float64
	missed := 0
	for i := range rows {
		if !rows[i].Forecasted() {
			continue
		}
		m := rows[i].miss()
		misses = append(misses, m)
		if m > 1 {
			missed++
		}
	}
	n := len(misses)
	if n == 0 || binomialTail(n, missed, 1-saidFrac) > doubtFrac {
		return 1
	}
	slices.Sort(misses)
	at := saidFrac*float64(n+1) - 1 // place of the quantile among the sorted
	i := min(int(at), n-1)
	q := misses[i]
	if i+1 < n {
		q += (at - float64(i)) * (misses[i+1] - q)
	}
	return min(max(1+(q-1)*float64(n)/(float64(n)+shrinkNights), 1), mostWider)
}

// binomialTail is how likely k or more of n happen by chance, each with odds p.
func binomialTail(n, k int, p float64) float64 {
	term := math.Pow(1-p, float64(n)) // none of them
	below := 0.0
	for i := range k {
		below += term
		term *= float64(n-i) / float64(i+1) * p / (1 - p)
	}
	return 1 - below
}
