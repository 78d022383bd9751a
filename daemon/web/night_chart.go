package web

import (
	"context"
	"html/template"
	"math"
	"slices"
	"strings"
	"time"

	"frostline/daemon/core"
	"frostline/daemon/estimate"
	"frostline/daemon/show"
	"frostline/sensors"
)

// curve is a series of the night as it was read from the store.
type curve struct {
	word   string
	unit   show.Unit
	pieces []show.Piece
}

// mostHours is how many labels fit under the picture.
const mostHours = 6

// hourLine is an hour of the night in numbers.
type hourLine struct {
	At    string
	Cells []string
}

// curves reads what is drawn. A thermometer that was never wired has none.
func (n *night) curves(ctx context.Context) (burn, low, high curve, temps []curve, err error) {
	read := func(name, word string, u show.Unit) curve {
		c := curve{word: word, unit: u}
		if err != nil {
			return c
		}
		var list []core.Bucket
		list, err = n.s.opt.Past.Series(ctx, name, n.a, n.b, show.NightColumns)
		for _, b := range list {
			c.pieces = append(c.pieces, show.Piece{FromS: b.FromWall.Sub(n.a).Seconds(), LengthS: b.Length.Seconds(), Min: b.Min, Mean: b.Mean, Max: b.Max})
		}
		return c
	}
	burn, low, high = read("burn_kg_h", "burn", show.KgPerH), read("burn_low_kg_h", "", show.KgPerH), read("burn_high_kg_h", "", show.KgPerH)
	for _, t := range []struct {
		name sensors.Channel
		word string
	}{{sensors.OutsideC, "outside"}, {sensors.CabinC, "cabin"}, {sensors.WaterlineC, "pipe"}} {
		if n.f.whole() && !fitted(n.f.snap.Est, t.name) {
			continue
		}
		temps = append(temps, read(string(t.name), t.word, show.C))
	}
	temps = append(temps, read("liquid_c", "liquid", show.C))
	return burn, low, high, temps, err
}

// draw adds the picture, what stands under its crosshair, its hours in numbers and the log.
func (n *night) draw(ctx context.Context, v *nightView, events []core.Event) error {
	burn, low, high, temps, err := n.curves(ctx)
	if err != nil {
		return err
	}
	span := n.b.Sub(n.a)
	p := show.NightPicture{Title: v.Title, SpanS: span.Seconds(), Hours: n.hours(), Burn: burn.pieces, LowKg: low.pieces, HighKg: high.pieces,
		NowS: math.NaN(), Units: n.l.choice()}
	if n.now {
		p.NowS = n.f.snap.Stamp.Wall.Sub(n.a).Seconds()
	}
	drawn := []curve{burn}
	for _, t := range temps {
		if len(t.pieces) > 0 {
			p.Temps, drawn = append(p.Temps, show.TempCurve{Word: t.word, Pieces: t.pieces}), append(drawn, t)
		}
	}
	p.Flames = n.flames(events)
	v.Log, p.Alarms = n.log(events)
	p.Desc = n.desc(drawn)
	v.Chart = template.HTML(show.Night(p)) // show escapes what it is given
	v.Legend = "Burn: the line is the mean, the dark band how it went up and down, the light band what is not known of it. Temperatures as measured; liquid is modelled. A gap is a time without readings."
	words := []string{}
	for _, c := range drawn {
		words = append(words, c.word)
	}
	v.Words = strings.Join(words, "\t")
	v.Says = n.columns(drawn, low, high)
	v.Heads, v.Hours = n.byHour(drawn)
	return nil
}

// desc says the picture in a sentence.
func (n *night) desc(drawn []curve) string {
	var parts []string
	for _, c := range drawn {
		least, most := math.Inf(1), math.Inf(-1)
		for _, q := range c.pieces {
			least, most = min(least, q.Min), max(most, q.Max)
		}
		if least <= most {
			parts = append(parts, c.word+" "+n.l.choice().Interval(least, most, c.unit))
		}
	}
	if len(parts) == 0 {
		return "no readings are kept"
	}
	return strings.Join(parts, ", ")
}

// hours are whole hours of the clock, as many as have room.
func (n *night) hours() (out []show.Mark) {
	for _, step := range []time.Duration{5 * time.Minute, 10 * time.Minute, 15 * time.Minute, 30 * time.Minute, time.Hour, 2 * time.Hour, 3 * time.Hour, 4 * time.Hour, 6 * time.Hour, 12 * time.Hour} {
		if n.b.Sub(n.a) > mostHours*step {
			continue
		}
		local := n.a.In(n.s.opt.Zone)
		midnight := time.Date(local.Year(), local.Month(), local.Day(), 0, 0, 0, 0, n.s.opt.Zone)
		for t := midnight; !t.After(n.b); t = t.Add(step) {
			if !t.Before(n.a) {
				out = append(out, show.Mark{AtS: t.Sub(n.a).Seconds(), Label: n.clock(t)})
			}
		}
		return out
	}
	return nil
}

// flames are the burners that were lit, from the log. One whose lighting is not in it was lit
// before the night.
func (n *night) flames(events []core.Event) (out []show.Flame) {
	lit := map[string]time.Time{}
	end := n.to
	if n.now {
		end = n.f.snap.Stamp.Wall
	}
	add := func(name string, from, to time.Time) {
		out = append(out, show.Flame{FromS: from.Sub(n.a).Seconds(), ToS: to.Sub(n.a).Seconds(), Name: name + ", " + n.clock(from) + " to " + n.clock(to)})
	}
	seen := map[string]bool{}
	var order []string
	for _, e := range events {
		h := e.Happening
		if h == nil || h.Kind != estimate.BurnerOn && h.Kind != estimate.BurnerOff {
			continue
		}
		if !seen[h.Appliance] {
			order = append(order, h.Appliance)
		}
		from, burning := lit[h.Appliance]
		switch {
		case h.Kind == estimate.BurnerOn && !burning:
			lit[h.Appliance] = e.Stamp.Wall
		case h.Kind == estimate.BurnerOff && burning:
			add(h.Appliance, from, e.Stamp.Wall)
			delete(lit, h.Appliance)
		case h.Kind == estimate.BurnerOff && !seen[h.Appliance]:
			add(h.Appliance, n.from, e.Stamp.Wall)
		}
		seen[h.Appliance] = true
	}
	for _, name := range order {
		if from, burning := lit[name]; burning {
			add(name, from, end)
		}
	}
	return out
}

// at is the stretch of a curve that covers a moment.
func (c curve) at(s float64) (show.Piece, bool) {
	i, _ := slices.BinarySearchFunc(c.pieces, s, func(q show.Piece, s float64) int {
		if q.FromS+q.LengthS <= s {
			return -1
		}
		return 1
	})
	if i < len(c.pieces) && c.pieces[i].FromS <= s {
		return c.pieces[i], true
	}
	return show.Piece{}, false
}

// columns are the words of the crosshair: for each column of the picture its time and what
// each curve was then, with the interval of the burn and the extremes of the others.
func (n *night) columns(drawn []curve, low, high curve) string {
	var b strings.Builder
	width := n.b.Sub(n.a).Seconds() / float64(show.NightColumns)
	for i := range show.NightColumns {
		s := (float64(i) + 0.5) * width
		if i > 0 {
			b.WriteByte('\n')
		}
		b.WriteString(n.clock(n.a.Add(time.Duration(s * float64(time.Second)))))
		for _, c := range drawn {
			b.WriteByte('\t')
			q, ok := c.at(s)
			if !ok {
				b.WriteString("no reading")
				continue
			}
			if c.unit == show.KgPerH {
				lo, okLow := low.at(s)
				hi, okHigh := high.at(s)
				if okLow && okHigh {
					b.WriteString(n.l.choice().Value(q.Mean, lo.Mean, hi.Mean, c.unit))
					continue
				}
			}
			b.WriteString(n.l.choice().Interval(q.Min, q.Max, c.unit))
		}
	}
	return b.String()
}

// byHour is the picture as a table: the mean burn and the range of each temperature.
func (n *night) byHour(drawn []curve) (heads []string, lines []hourLine) {
	step := time.Hour
	if n.b.Sub(n.a) <= 2*time.Hour {
		step = 10 * time.Minute
	}
	for _, c := range drawn {
		heads = append(heads, c.word)
	}
	for t := n.a; t.Before(n.b); t = t.Add(step) {
		line := hourLine{At: n.clock(t)}
		from := t.Sub(n.a).Seconds()
		to := min(n.b.Sub(n.a).Seconds(), from+step.Seconds())
		any := false
		for _, c := range drawn {
			least, most, sum, weight := math.Inf(1), math.Inf(-1), 0.0, 0.0
			for _, q := range c.pieces {
				if shared := min(to, q.FromS+q.LengthS) - max(from, q.FromS); shared > 0 {
					least, most, sum, weight = min(least, q.Min), max(most, q.Max), sum+q.Mean*shared, weight+shared
				}
			}
			switch {
			case weight == 0:
				line.Cells = append(line.Cells, "no reading")
			case c.unit == show.KgPerH:
				line.Cells, any = append(line.Cells, n.l.choice().Number(sum/weight, c.unit)), true
			default:
				line.Cells, any = append(line.Cells, n.l.choice().Interval(least, most, c.unit)), true
			}
		}
		if any {
			lines = append(lines, line)
		}
	}
	return heads, lines
}
