package score

import (
	"fmt"
	"math"
	"slices"
	"strings"
)

// OwnLine is one score over the redraws, the good cell beside the cheap one.
type OwnLine struct {
	Score, Target string
	Measured      [2]string
	Met           [2]Met
	N             [2]int       // how many were asked
	Values        [2][]float64 // errors as magnitudes; what was missed as a share of N
}

// OwnMarkdown prints lines as one table.
func OwnMarkdown(lines []OwnLine) string {
	var b strings.Builder
	b.WriteString("| score | target | n | good cell | met | n | cheap cell | met |\n|---|---|---|---|---|---|---|---|\n")
	for _, l := range lines {
		fmt.Fprintf(&b, "| %s | %s | %d | %s | %s | %d | %s | %s |\n", l.Score, dash(l.Target), l.N[0], l.Measured[0], l.Met[0], l.N[1], l.Measured[1], l.Met[1])
	}
	return b.String()
}

// Draws is the number of redraws with the good and with the cheap cell.
func (o *Own) Draws() [2]int { return [2]int{o.cells[0].draws, o.cells[1].draws} }

// Lines scores what was added.
func (o *Own) Lines() []OwnLine {
	return slices.Concat(o.weightLines(), o.burnerLines(), o.changeLines(), o.lossLines(), o.heatLines(), o.gasLines())
}

// by asks each cell. limits are the targets of its values, good and cheap; none means no target.
func (o *Own) by(score, target string, n func(*tally) int, of func(*tally) (string, []float64), limits ...[]float64) OwnLine {
	l := OwnLine{Score: score, Target: target}
	for c := range o.cells {
		t := &o.cells[c]
		if l.N[c] = n(t); l.N[c] == 0 {
			l.Measured[c], l.Met[c] = "–", Unasked
			continue
		}
		l.Measured[c], l.Values[c] = of(t)
		l.Met[c] = NoTgt
		if len(limits) > 0 {
			limit, ok := limits[min(c, len(limits)-1)], true
			for i, most := range limit {
				ok = ok && l.Values[c][i] <= most
			}
			l.Met[c] = met(ok)
		}
	}
	return l
}

func (o *Own) weightLines() []OwnLine {
	draws := func(t *tally) int { return t.fuelG.n }
	return []OwnLine{
		o.by("fuel, rms over redraws, tare as stamped, g", "75", draws, func(t *tally) (string, []float64) {
			return fmt.Sprintf("%.0f", t.fuelG.rms()), []float64{t.fuelG.rms()}
		}, []float64{75}),
		o.by("shape of the fuel curve without its offset, median; worst, g", "3; 8", draws, middleAndWorst("%.1f; %.1f", func(t *tally) []float64 { return t.shapesG }), []float64{3, 8}),
		o.by("minutes with the fuel outside its 95 % interval, %", "", draws, func(t *tally) (string, []float64) {
			out := 100 * float64(t.minutes-t.covered) / float64(t.minutes)
			return fmt.Sprintf("%.1f", out), []float64{out}
		}),
		o.by("full width of that interval, mean, g", "240", draws, func(t *tally) (string, []float64) {
			return fmt.Sprintf("%.0f", t.widthG.mean()), []float64{t.widthG.mean()}
		}, []float64{240}),
	}
}

func middleAndWorst(format string, of func(*tally) []float64) func(*tally) (string, []float64) {
	return func(t *tally) (string, []float64) {
		mid, worst := median(of(t)), largest(of(t))
		return fmt.Sprintf(format, mid, worst), []float64{mid, worst}
	}
}

func (o *Own) burnerLines() []OwnLine {
	calm := func(t *tally) *burners { return &t.calm }
	windy := func(t *tally) *burners { return &t.windy }
	return []OwnLine{
		o.burn("burn, means of 15 min, rms, g/h", "3.5 / 6", func(t *tally) *sum { return &t.calm.burn }, []float64{3.5}, []float64{6}),
		o.burn(fmt.Sprintf("the same in a gale, %g m/s and more, g/h", galeMPerS), "16", func(t *tally) *sum { return &t.gale }, []float64{16}),
		o.burn("the same in the windy van, below that, g/h", "", func(t *tally) *sum { return &t.windy.burn }),
		o.by("night's consumption in the ledger, median; worst, %", "1; 3", func(t *tally) int { return len(t.nightsPct) },
			middleAndWorst("%.1f; %.1f", func(t *tally) []float64 { return t.nightsPct }), []float64{1, 3}),
		o.lit("heater lit or not, minutes right, mean of redraws; worst", "0.95 / 0.85", calm, []float64{0.05}, []float64{0.15}),
		o.lit("the same in the windy van", "", windy),
		o.by("shares of heater and burners, median; worst, points", "4; 10", func(t *tally) int { return len(t.calm.shares) },
			middleAndWorst("%.1f; %.1f", func(t *tally) []float64 { return t.calm.shares }), []float64{4, 10}),
		o.flame(fmt.Sprintf("heater's flame lit or out, %d to %d h, mean delay, s; not told in 5 min, %%", asleepFromH, asleepToH), "45 / 80", calm, []float64{45}, []float64{80}),
		o.flame("the same in the windy van", "", windy),
	}
}

func (o *Own) burn(score, target string, of func(*tally) *sum, limits ...[]float64) OwnLine {
	return o.by(score, target, func(t *tally) int { return of(t).n }, func(t *tally) (string, []float64) {
		return fmt.Sprintf("%.1f", of(t).rms()), []float64{of(t).rms()}
	}, limits...)
}

func (o *Own) lit(score, target string, of func(*tally) *burners, limits ...[]float64) OwnLine {
	return o.by(score, target, func(t *tally) int { return len(of(t).agree) }, func(t *tally) (string, []float64) {
		mean, worst := meanOf(of(t).agree), slices.Min(of(t).agree)
		return fmt.Sprintf("%.3f; %.3f", mean, worst), []float64{1 - mean, 1 - worst}
	}, limits...)
}

func (o *Own) flame(score, target string, of func(*tally) *burners, limits ...[]float64) OwnLine {
	return o.by(score, target, func(t *tally) int { return of(t).flame.n() }, func(t *tally) (string, []float64) {
		f := of(t).flame
		mean, missed := meanOf(f.delaysS), 100*float64(f.missed)/float64(f.n())
		return fmt.Sprintf("%.0f; %.1f", mean, missed), []float64{mean, missed}
	}, limits...)
}

func meanOf(v []float64) float64 {
	var all sum
	for _, x := range v {
		all.add(x)
	}
	return all.mean()
}

// worstDelay says the median and the worst delay of what was told, what was missed and what
// was told of nothing.
func worstDelay(unitS float64, of func(*tally) *found) func(*tally) (string, []float64) {
	return func(t *tally) (string, []float64) {
		f := of(t)
		said, values := f.told(unitS)
		return fmt.Sprintf("%s, %d false", said, f.spare), append(values, float64(f.spare))
	}
}

// told is the same without what was told of nothing.
func (f *found) told(unitS float64) (string, []float64) {
	missed := float64(f.missed) / float64(f.n())
	if len(f.delaysS) == 0 {
		return fmt.Sprintf("none told of %d", f.n()), []float64{0, missed}
	}
	worst := slices.Max(f.delaysS) / unitS
	return fmt.Sprintf("%.3g; %.3g; %d of %d missed", median(f.delaysS)/unitS, worst, f.missed, f.n()), []float64{worst, missed}
}

func (o *Own) changeLines() []OwnLine {
	return []OwnLine{
		o.by("cylinder removed, median; worst, s", "15; none missed, none false", func(t *tally) int { return t.removed.n() },
			worstDelay(1, func(t *tally) *found { return &t.removed }), []float64{15, 0, 0}),
		o.by("cylinder placed and settled, median; worst, s", "65; none missed, none false", func(t *tally) int { return t.placed.n() },
			worstDelay(1, func(t *tally) *found { return &t.placed }), []float64{65, 0, 0}),
	}
}

func (o *Own) lossLines() []OwnLine {
	var lines []OwnLine
	for _, k := range []struct {
		van, score, target string
		unitS, most        float64
	}{
		{"loss-150", "loss of 150 g/h, stored van, median; worst, min", "60", 60, 60},
		{"loss-150-heated", "loss of 150 g/h beside a heater at work, median; worst, min", "60", 60, 60},
		{"loss-30", "loss of 30 g/h behind a front, median; worst, h", "6", 3600, 6},
	} {
		of := func(t *tally) *found {
			if f := t.losses[k.van]; f != nil {
				return f
			}
			return new(found)
		}
		lines = append(lines, o.by(k.score, k.target, func(t *tally) int { return of(t).n() }, worstDelay(k.unitS, of), []float64{k.most, 0, 0}))
	}
	return append(lines, o.by("calls of a loss while nothing leaks", "0", func(t *tally) int { return int(math.Ceil(t.days)) }, func(t *tally) (string, []float64) {
		said := fmt.Sprintf("%d in %.0f days", len(t.falseLoss), t.days)
		if len(t.falseLoss) > 0 {
			said += " (" + strings.Join(t.falseLoss, ", ") + ")"
		}
		return said, []float64{float64(len(t.falseLoss))}
	}, []float64{0}))
}

func (o *Own) heatLines() []OwnLine {
	return []OwnLine{
		o.by("heater starved, heat demand wired, median; worst, min", "8; none missed, none false", func(t *tally) int { return t.starved.n() },
			func(t *tally) (string, []float64) {
				f := t.starved
				f.spare = t.starvedFalse
				return worstDelay(60, func(*tally) *found { return &f })(t)
			}, []float64{8, 0, 0}),
		o.by("called starved without heat demand wired, nothing amiss, a week", "1", func(t *tally) int { return int(math.Ceil(t.quietWeeks)) },
			func(t *tally) (string, []float64) {
				return fmt.Sprintf("%d in %.1f weeks", t.maybe, t.quietWeeks), []float64{float64(t.maybe) / t.quietWeeks}
			}, []float64{1}),
	}
}

func (o *Own) gasLines() []OwnLine {
	rowS := 10.0 // the moment of a band is known to a row of the estimates
	line := func(score, target string, unitS, most float64, of func(*tally) *found) OwnLine {
		return o.by(score, target, func(t *tally) int { return of(t).n() }, func(t *tally) (string, []float64) {
			return of(t).told(unitS)
		}, []float64{most, 0})
	}
	return []OwnLine{
		line(fmt.Sprintf("gas at %d ppm and rising: trace after, median; worst, min", risingPpm), "8", 60, 8, func(t *tally) *found { return &t.trace }),
		line(fmt.Sprintf("warning after the true %.0f ppm (850 nominal), median; worst, s", warningPpm), fmt.Sprint(warningDelayS), 1, warningDelayS+rowS, func(t *tally) *found { return &t.warned }),
		line(fmt.Sprintf("leave after the true %.0f ppm (1700 nominal), median; worst, s", leavePpm), fmt.Sprint(leaveDelayS), 1, leaveDelayS+rowS, func(t *tally) *found { return &t.left }),
		o.by("alarms of gas where there is none, cooking and spirit: of trace; above it", "none above trace", func(t *tally) int { return t.cooked }, func(t *tally) (string, []float64) {
			return fmt.Sprintf("%d; %d in %d redraws", t.cookTrace, t.cookAbove, t.cooked), []float64{0, float64(t.cookAbove)}
		}, []float64{0, 0}),
	}
}
