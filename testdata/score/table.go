package score

import (
	"fmt"
	"math"
	"strings"
	"time"
)

// Met says whether a target was reached.
type Met string

// What a line may say of its target.
const (
	Yes     Met = "yes"
	No      Met = "no"
	NoTgt   Met = "–" // it has none
	Unasked Met = "not asked here"
)

// Line is one score over all recordings.
type Line struct {
	Score    string
	Target   string // empty: none was set
	Measured string
	Met      Met
	Each     string    // by recording, where that says more
	Values   []float64 // the numbers of Measured, errors as magnitudes, for a test to hold
}

// Markdown prints lines as one table.
func Markdown(lines []Line) string {
	var b strings.Builder
	b.WriteString("| score | target | measured | met | by recording |\n|---|---|---|---|---|\n")
	for _, l := range lines {
		fmt.Fprintf(&b, "| %s | %s | %s | %s | %s |\n", l.Score, dash(l.Target), l.Measured, l.Met, dash(l.Each))
	}
	return b.String()
}

func dash(s string) string {
	if s == "" {
		return "–"
	}
	return s
}

func met(ok bool) Met {
	if ok {
		return Yes
	}
	return No
}

// Lines scores recordings. The order of recordings is that of the "by recording" cells.
func Lines(all []*Recording) []Line {
	lines := fuelLines(all)
	lines = append(lines, burnLines(all)...)
	lines = append(lines, applianceLines(all)...)
	lines = append(lines, cylinderLines(all)...)
	lines = append(lines, lossLines(all)...)
	lines = append(lines, starvedLines(all)...)
	return append(lines, liquidLine(all), cookingLine(all))
}

// each joins what is said of single recordings.
type each []string

func (e *each) say(r *Recording, format string, args ...any) {
	*e = append(*e, r.Van.Name+" "+fmt.Sprintf(format, args...))
}

func (e each) String() string { return strings.Join(e, ", ") }

func fuelLines(all []*Recording) []Line {
	var squares, widths sum
	var shapes []float64
	var rmsEach, shapeEach, insideEach, widthEach each
	inside, cylinders, unknown := 0, 0, 0
	for _, r := range all {
		var off sum
		var shape, in, width []string
		for i, f := range r.fuel() {
			off = sum{off.n + f.offG.n, off.of + f.offG.of, off.square + f.offG.square}
			shapes = append(shapes, f.offG.spread())
			shape = append(shape, fmt.Sprintf("%.1f", f.offG.spread()))
			part := float64(f.inside) / float64(f.offG.n)
			in = append(in, fmt.Sprintf("%.0f", 100*part))
			width = append(width, fmt.Sprintf("%.0f", f.widthG.mean()))
			unknown += f.unknown
			if cylinders++; part >= 0.95 {
				inside++
			}
			if i == 0 { // what comes after a change has no tare entered
				widths.add(f.widthG.mean())
			}
		}
		squares.add(off.rms())
		rmsEach.say(r, "%.0f", off.rms())
		shapeEach.say(r, "%s", strings.Join(shape, " and "))
		insideEach.say(r, "%s", strings.Join(in, " and "))
		widthEach.say(r, "%s", strings.Join(width, " and "))
	}
	mid, worst := median(shapes), largest(shapes)
	return []Line{
		{"fuel, rms over recordings, tare as stamped, g", "75", fmt.Sprintf("%.0f", squares.rms()), met(squares.rms() <= 75), rmsEach.String(), []float64{squares.rms()}},
		{"shape of the fuel curve without its offset by cylinder, rms, median; worst, g", "3; 8", fmt.Sprintf("%.1f; %.1f", mid, worst),
			met(mid <= 3 && worst <= 8), shapeEach.String(), []float64{mid, worst}},
		{"cylinders whose fuel was in its 95 % interval for 95 % of minutes", "", fmt.Sprintf("%d of %d; unknown for %d min", inside, cylinders, unknown), Unasked,
			insideEach.String() + " % of minutes", []float64{float64(cylinders - inside), float64(unknown)}},
		{"full width of that interval, stamped tare with an sd of 40 g, g", "240", fmt.Sprintf("%.0f", widths.mean()), met(widths.mean() <= 240),
			widthEach.String(), []float64{widths.mean()}},
	}
}

func largest(values []float64) float64 {
	worst := math.Inf(-1)
	for _, v := range values {
		worst = max(worst, math.Abs(v))
	}
	return worst
}

func burnLines(all []*Recording) []Line {
	var good, cheap, gales sum
	var burnEach, nightEach, fallEach each
	var offs, falls []float64
	for _, r := range all {
		off, gale := r.burn15()
		to := &good
		if r.Van.Cheap() {
			to = &cheap
		}
		*to = sum{to.n + off.n, to.of + off.of, to.square + off.square}
		gales = sum{gales.n + gale.n, gales.of + gale.of, gales.square + gale.square}
		burnEach.say(r, "%.1f", off.rms())
		var said, fell []string
		for _, n := range r.nights() {
			if n.leak {
				continue
			}
			offs = append(offs, math.Abs(n.offPct))
			said = append(said, fmt.Sprintf("%+.1f", n.offPct))
			if !math.IsNaN(n.fuelOffPct) {
				falls = append(falls, math.Abs(n.fuelOffPct))
				fell = append(fell, fmt.Sprintf("%+.1f", n.fuelOffPct))
			}
		}
		if said != nil {
			nightEach.say(r, "%s", strings.Join(said, " "))
		}
		if fell != nil {
			fallEach.say(r, "%s", strings.Join(fell, " "))
		}
	}
	gale := Line{Score: "the same in a gale, g/h", Target: "16", Measured: "no gale here", Met: Unasked}
	if gales.n > 0 {
		gale.Measured, gale.Met, gale.Values = fmt.Sprintf("%.1f", gales.rms()), met(gales.rms() <= 16), []float64{gales.rms()}
	}
	mid, worst := median(offs), largest(offs)
	fallMid, fallWorst := median(falls), largest(falls)
	return []Line{
		{"burn as published, means of 15 min, rms, good / cheap cell, g/h", "3.5 / 6", fmt.Sprintf("%.1f / %.1f", good.rms(), cheap.rms()),
			met(good.rms() <= 3.5 && cheap.rms() <= 6), burnEach.String(), []float64{good.rms(), cheap.rms()}},
		gale,
		{fmt.Sprintf("night's consumption in the ledger, %d nights without a leak, median; worst, %%", len(offs)), "1; 3", fmt.Sprintf("%.1f; %.1f", mid, worst),
			met(mid <= 1 && worst <= 3), nightEach.String(), []float64{mid, worst}},
		{"the same nights by the fall of the fuel estimate, median; worst, %", "1; 3", fmt.Sprintf("%.1f; %.1f", fallMid, fallWorst),
			met(fallMid <= 1 && fallWorst <= 3), fallEach.String(), []float64{fallMid, fallWorst}},
		forecastLine(all),
	}
}

// forecastLine is how the forecasts made as nights began stood against what was used.
func forecastLine(all []*Recording) Line {
	var each each
	var misses sum
	n, held := 0, 0
	for _, r := range all {
		var said []string
		for _, x := range r.nights() {
			if math.IsNaN(x.missedKg) {
				continue
			}
			n++
			word := "missed"
			if x.held {
				held++
				word = "held"
			}
			misses.add(x.missedKg)
			said = append(said, fmt.Sprintf("%+.2f of %.2f %s", x.missedKg, x.widthKg, word))
		}
		if said != nil {
			each.say(r, "%s", strings.Join(said, ", "))
		}
	}
	return Line{"nights forecast as they began: held by the 95 %, of; error rms, kg", "–", fmt.Sprintf("%d of %d; %.2f", held, n, misses.rms()),
		NoTgt, each.String(), []float64{float64(n - held), misses.rms()}}
}

func applianceLines(all []*Recording) []Line {
	agree := [2]float64{1, 1} // the worst by cell
	var agreeEach, shareEach, onEach each
	var shares []float64
	var delays [2]sum
	missed := 0
	for _, r := range all {
		cell := 0
		if r.Van.Cheap() {
			cell = 1
		}
		if a := r.heaterAgrees(); !math.IsNaN(a) {
			agree[cell] = min(agree[cell], a)
			agreeEach.say(r, "%.3f", a)
		}
		if s := r.shareOffPct(); !math.IsNaN(s) {
			shares = append(shares, math.Abs(s))
			shareEach.say(r, "%+.1f", s)
		}
		on, off := r.asleep()
		var said sum
		for _, s := range append(on.delaysS, off.delaysS...) {
			delays[cell].add(s)
			said.add(s)
		}
		missed += on.missed + off.missed
		if said.n > 0 {
			onEach.say(r, "%.0f (%d of %d)", said.mean(), said.n, said.n+on.missed+off.missed)
		}
	}
	mid, worst := median(shares), largest(shares)
	good, cheap := delays[0].mean(), delays[1].mean()
	return []Line{
		{"heater lit or not, minutes right, worst recording, good / cheap cell", "0.95 / 0.85", fmt.Sprintf("%.3f / %.3f", agree[0], agree[1]),
			met(agree[0] >= 0.95 && agree[1] >= 0.85), agreeEach.String(), []float64{1 - agree[0], 1 - agree[1]}},
		{"shares of heater and burners, median; worst, points", "4; 10", fmt.Sprintf("%.1f; %.1f", mid, worst), met(mid <= 4 && worst <= 10),
			shareEach.String(), []float64{mid, worst}},
		{fmt.Sprintf("heater's flame lit or out, %d to %d h, mean delay, good / cheap cell, s", asleepFromH, asleepToH), "45 / 80",
			fmt.Sprintf("%.0f / %.0f; %d not told within 5 min", good, cheap, missed), met(good <= 45 && cheap <= 80), onEach.String(),
			[]float64{good, cheap, float64(missed)}},
	}
}

func cylinderLines(all []*Recording) []Line {
	const patience = 10 * time.Minute
	var lines []Line
	for _, k := range []struct {
		score, target string
		truth         []string
		told          string
		still, drive  float64 // targets in s
		ticks         float64 // or this many ticks, where that is longer
	}{
		{"cylinder removed", "15 s or 3 ticks", []string{"removed"}, "cylinder-removed", 15, 15, 3},
		{"cylinder placed and settled", "65 s; 3 min in a drive", []string{"swap", "refill"}, "cylinder-placed", 65, 180, 0},
	} {
		n, missed, spare, ok := 0, 0, 0, true
		worst := [2]float64{} // standing, in a drive
		var said each
		for _, r := range all {
			moments := r.happened(k.truth...)
			f := answers(moments, r.told(k.told), patience)
			missed, spare, n = missed+f.missed, spare+f.spare, n+len(moments)
			if len(moments) == 0 || f.missed > 0 {
				continue // which delay is whose is told only if none is missed
			}
			for i, s := range f.delaysS {
				limit, what, in := k.still, "%.0f s", 0
				if r.moving(moments[i]) {
					limit, what, in = k.drive, "%.0f s in a drive", 1
				}
				ok = ok && s <= max(limit, k.ticks*r.Van.Scale.RecordEveryS)
				worst[in] = max(worst[in], s)
				said.say(r, what, s)
			}
		}
		lines = append(lines, Line{k.score, k.target + "; none missed, none false",
			fmt.Sprintf("%.0f s; %.0f s in a drive; %d of %d missed, %d false", worst[0], worst[1], missed, n, spare),
			met(ok && n > 0 && missed == 0 && spare == 0), said.String(), []float64{worst[0], worst[1], float64(missed), float64(spare)}})
	}
	return lines
}

// moving says whether the van drove at a true time.
func (r *Recording) moving(at time.Time) bool {
	for _, m := range r.Minutes {
		if !m.At.Before(at) {
			return m.Moving
		}
	}
	return false
}

func lossLines(all []*Recording) []Line {
	var worst float64
	var said, spareEach each
	n, missed, spare, days := 0, 0, 0, 0.0
	for _, r := range all {
		moments := r.happened("leak_start")
		f := answers(moments, r.raised("leak-suspicion"), 48*time.Hour)
		n, missed, spare = n+len(moments), missed+f.missed, spare+f.spare
		days += float64(len(r.Minutes)) / (24 * 60)
		for _, s := range f.delaysS {
			worst = max(worst, s/3600)
			said.say(r, "%.1f h", s/3600)
		}
		if f.spare > 0 {
			spareEach.say(r, "%d", f.spare)
		}
	}
	loss := Line{"loss of 30 g/h behind a front, h", "6", fmt.Sprintf("%.1f; %d of %d missed", worst, missed, n), met(missed == 0 && worst <= 6), said.String(),
		[]float64{worst, float64(missed)}}
	if n == 0 {
		loss.Measured, loss.Met = "no loss here", Unasked
	}
	return []Line{
		loss,
		{"calls of a loss while nothing leaks", "0", fmt.Sprintf("%d in %.1f days", spare, days), met(spare == 0), spareEach.String(), []float64{float64(spare)}},
	}
}

func starvedLines(all []*Recording) []Line {
	var worst, weeks float64
	var said each
	n, missed, spare, maybe := 0, 0, 0, 0
	for _, r := range all {
		if !r.Van.HeatDemand() {
			maybe += len(r.raised("starved"))
			weeks += float64(len(r.Minutes)) / (7 * 24 * 60)
			continue
		}
		moments := r.happened("starve_start")
		f := answers(moments, r.raised("starved"), time.Hour)
		n, missed, spare = n+len(moments), missed+f.missed, spare+f.spare
		for _, s := range f.delaysS {
			worst = max(worst, s/60)
			said.say(r, "%.1f", s/60)
		}
	}
	return []Line{
		{"heater starved, heat demand wired, min", "8; none false", fmt.Sprintf("%.1f; %d of %d missed, %d false", worst, missed, n, spare),
			met(n > 0 && missed == 0 && spare == 0 && worst <= 8), said.String(), []float64{worst, float64(missed), float64(spare)}},
		{"called starved without heat demand wired, a week", "1", fmt.Sprintf("%d in %.1f weeks", maybe, weeks), met(float64(maybe) <= weeks), "",
			[]float64{float64(maybe)}},
	}
}

func liquidLine(all []*Recording) Line {
	var off sum
	var said each
	worst := 1.0
	for _, r := range all {
		o, inside := r.liquid()
		part := float64(inside) / float64(o.n)
		worst = min(worst, part)
		off.add(o.rms())
		said.say(r, "%.2f (%.0f)", o.rms(), 100*part)
	}
	return Line{"liquid's temperature, rms over recordings, K; least share of minutes in its 95 % interval, %", "",
		fmt.Sprintf("%.2f; %.0f", off.rms(), 100*worst), NoTgt, said.String(), []float64{off.rms(), 1 - worst}}
}

// cookingLine looks at the recordings without a leak: whatever the gas sensor saw there was
// cooking or alcohol. The band of a row and the sound of an alarm are both asked.
func cookingLine(all []*Recording) Line {
	var said each
	trace, above, n := 0, 0, 0
	for _, r := range all {
		if len(r.happened("leak_start")) > 0 {
			continue
		}
		n++
		here := len(r.raised("gas-trace"))
		trace += here
		high := len(r.raised("gas-warning")) + len(r.raised("gas-leave"))
		for _, row := range r.Rows {
			if row.Band == "warning" || row.Band == "leave" {
				high++
			}
		}
		if above += high; here+high > 0 {
			said.say(r, "%d of trace, %d above", here, high)
		}
	}
	return Line{fmt.Sprintf("gas alarms in %d recordings without gas", n), "none above trace", fmt.Sprintf("%d of trace, %d above", trace, above),
		met(above == 0), said.String(), []float64{float64(trace), float64(above)}}
}
