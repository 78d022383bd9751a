package web

import (
	"context"
	"fmt"
	"html/template"
	"math"
	"net/http"
	"slices"
	"strconv"
	"strings"
	"time"

	"frostline/alerts"
	"frostline/daemon/core"
	"frostline/daemon/estimate"
	"frostline/daemon/nights"
	"frostline/daemon/show"
	"frostline/sensors"
)

// nightView is one night as words and a picture.
type nightView struct {
	Title   string
	Span    string // from when to when
	Why     string // instead of numbers, where the ledger has no row
	Chart   template.HTML
	Words   string // of the quantities under the crosshair, parted by tabs
	Says    string // for each column of the picture a line: the time and each quantity, parted by tabs
	FromMin int    // the part that is drawn, in minutes after the beginning of the night
	ToMin   int
	SpanMin int // the whole night
	Parts   []partView
	Legend  string
	Rows    []row
	Log     []logLine
	Hours   []hourLine
	Heads   []string // of the columns of Hours
	Earlier *nightLink
	Later   *nightLink
}

// partView is a link to the whole night or a part of it.
type partView struct {
	Word, Target string
	Here         bool
}

type nightLink struct{ Word, Target string }

// logLine is something that happened, with the flag it has in the picture.
type logLine struct{ Flag, At, Text string }

// hourLine is an hour of the night in numbers.
type hourLine struct {
	At    string
	Cells []string
}

// curve is a series of the night as it was read from the store.
type curve struct {
	name, word string
	unit       show.Unit
	pieces     []show.Piece
}

const (
	leastPart = 20 * time.Minute // the shortest part of a night that is drawn: minutes are the finest there is
	mostHours = 6                // labels that fit under the picture
)

func nightTarget(date string) string { return "/night/" + date }

// hours is the window of a night in use: as configured, or chosen on a page since.
func (s *Server) hours(f *frame) nights.Params {
	p := s.opt.Nights
	if f.whole() && f.snap.Night != (nights.Window{}) {
		p.StartMin, p.EndMin = f.snap.Night.StartMin, f.snap.Night.EndMin
	}
	return p
}

// getNight answers with one night of the ledger, or with the one that is being lived.
func (s *Server) getNight(w http.ResponseWriter, r *http.Request) {
	date := r.PathValue("date")
	from, to, ok := s.hours(s.latest.Load()).Window(date)
	if !ok || s.opt.Past == nil {
		http.Error(w, "There is no such night. A night is asked for by the date of its evening, as /night/2026-11-25, on a van that keeps a history.", http.StatusNotFound)
		return
	}
	l, f := lookOf(r), s.latest.Load()
	d := s.pageData(r, f, l)
	ctx, cancel := context.WithTimeout(r.Context(), storeWait)
	defer cancel()
	rows, err := s.opt.Past.NightsNear(ctx, date)
	is := func(n nights.Night) bool { return n.Date == date }
	if err == nil && !slices.ContainsFunc(rows, is) { // one that was dated afterwards is kept under another date
		rows, err = s.opt.Past.Nights(ctx, stripPast)
	}
	if err != nil {
		s.opt.Log.Error("night not read", "date", date, "err", err)
		http.Error(w, "The store does not answer, so this night cannot be shown. The gas watch does not depend on it.", http.StatusServiceUnavailable)
		return
	}
	n := night{s: s, l: l, f: f, date: date, from: from, to: to}
	if i := slices.IndexFunc(rows, is); i >= 0 {
		n.row = &rows[i]
		if a, errA := core.ParseWall(n.row.FromWall); errA == nil && !a.IsZero() {
			if b, errB := core.ParseWall(n.row.ToWall); errB == nil && a.Before(b) { // the window may have been another then
				n.from, n.to = a, b
			}
		}
	}
	n.now = f.whole() && f.snap.Est.ClockTrusted && !f.snap.Stamp.Wall.Before(n.from) && f.snap.Stamp.Wall.Before(n.to)
	if n.row == nil && !n.now {
		http.Error(w, "Nothing is kept of this night.", http.StatusNotFound)
		return
	}
	n.part(r.FormValue("from"), r.FormValue("to"))
	if d.Night, err = n.view(ctx, rows); err != nil {
		s.opt.Log.Error("night not read", "date", date, "err", err)
		http.Error(w, "The store does not answer, so this night cannot be shown. The gas watch does not depend on it.", http.StatusServiceUnavailable)
		return
	}
	s.send(w, r, http.StatusOK, "night.html", d)
}

// night is a night being put into words.
type night struct {
	s        *Server
	l        look
	f        *frame
	date     string
	from, to time.Time
	now      bool // it is being lived
	row      *nights.Night
	a, b     time.Time // the part that is drawn
}

// part takes minutes after the beginning of the night; what makes no sense is the whole.
func (n *night) part(from, to string) {
	n.a, n.b = n.from, n.to
	fromMin, err := strconv.Atoi(from)
	toMin, err2 := strconv.Atoi(to)
	span := int(n.to.Sub(n.from) / time.Minute)
	if err != nil || err2 != nil || fromMin < 0 || toMin > span || time.Duration(toMin-fromMin)*time.Minute < leastPart {
		return
	}
	n.a, n.b = n.from.Add(time.Duration(fromMin)*time.Minute), n.from.Add(time.Duration(toMin)*time.Minute)
}

func (n *night) clock(t time.Time) string { return n.s.clock(t) }

// dayWords is a date as people say it, "Tue 24 Nov 2026".
func dayWords(date string) string {
	day, err := time.Parse(time.DateOnly, date)
	if err != nil {
		return date
	}
	return day.Format("Mon 2 Jan 2006")
}

func (n *night) view(ctx context.Context, rows []nights.Night) (*nightView, error) {
	v := &nightView{Title: "Night of " + dayWords(n.date), Span: n.clock(n.from) + " to " + n.clock(n.to)}
	if n.now {
		v.Title, v.Why = "Tonight, so far", "Its numbers are added up when it is over."
	}
	for _, o := range rows {
		switch link := (&nightLink{dayWords(o.Date), nightTarget(o.Date)}); {
		case o.Date < n.date:
			v.Earlier = link
		case o.Date > n.date && v.Later == nil: // rows come in order
			v.Later = link
		}
	}
	if today, ok := n.s.lived(n.f); ok && v.Later == nil && n.date < today {
		v.Later = &nightLink{"Tonight", nightTarget(today)}
	}
	if n.row != nil {
		v.Rows = n.rows()
	}
	events, err := n.s.opt.Past.EventsIn(ctx, n.from, n.to)
	if err != nil {
		return nil, err
	}
	if err := n.draw(ctx, v, events); err != nil {
		return nil, err
	}
	v.Parts = n.parts()
	v.FromMin, v.ToMin, v.SpanMin = int(n.a.Sub(n.from)/time.Minute), int(n.b.Sub(n.from)/time.Minute), int(n.to.Sub(n.from)/time.Minute)
	return v, nil
}

// lived is the date of the night that is being lived.
func (s *Server) lived(f *frame) (date string, ok bool) {
	if !f.whole() || !f.snap.Est.ClockTrusted {
		return "", false
	}
	wall := f.snap.Stamp.Wall
	for back := range 2 {
		date = wall.In(s.opt.Zone).AddDate(0, 0, -back).Format(time.DateOnly)
		if from, to, ok := s.hours(f).Window(date); ok && !wall.Before(from) && wall.Before(to) {
			return date, true
		}
	}
	return "", false
}

// parts are the whole night and its thirds, for whoever has no pinch.
func (n *night) parts() []partView {
	span := int(n.to.Sub(n.from) / time.Minute)
	whole := partView{"Whole night", nightTarget(n.date), n.a.Equal(n.from) && n.b.Equal(n.to)}
	out := []partView{whole}
	for i := range 3 {
		a, b := span*i/3, span*(i+1)/3
		from, to := n.from.Add(time.Duration(a)*time.Minute), n.from.Add(time.Duration(b)*time.Minute)
		out = append(out, partView{n.clock(from) + "–" + n.clock(to), fmt.Sprintf("%s?from=%d&to=%d", nightTarget(n.date), a, b), n.a.Equal(from) && n.b.Equal(to)})
	}
	return out
}

// curves reads what is drawn. A thermometer that was never wired has none.
func (n *night) curves(ctx context.Context) (burn, low, high curve, temps []curve, err error) {
	read := func(name, word string, u show.Unit) curve {
		c := curve{name: name, word: word, unit: u}
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

// log is what happened in words. Flames are in the picture and counted at the end; an alarm
// that was raised has a flag.
func (n *night) log(events []core.Event) (lines []logLine, flags []show.Mark) {
	lit := 0
	for _, e := range events {
		line := logLine{At: n.clock(e.Stamp.Wall)}
		switch {
		case e.Alarm != nil && e.Alarm.To == alerts.Unacked.String():
			line.Flag = strconv.Itoa(len(flags) + 1)
			flags = append(flags, show.Mark{AtS: e.Stamp.Wall.Sub(n.a).Seconds(), Label: line.Flag})
			line.Text = n.alarmTitle(e.Alarm.ID) + " (" + e.Alarm.Priority + "): " + e.Alarm.Why
		case e.Alarm != nil && e.Alarm.Actor != "":
			line.Text = n.alarmTitle(e.Alarm.ID) + ": " + e.Alarm.To + " by " + e.Alarm.Actor
		case e.Happening != nil && e.Happening.Kind == estimate.BurnerOn:
			lit++
			continue
		case e.Happening != nil:
			line.Text = n.happened(e.Happening)
		}
		if line.Text != "" {
			lines = append(lines, line)
		}
	}
	if lit > 0 {
		lines = append(lines, logLine{At: "In all", Text: fmt.Sprintf("%d flames lit", lit)})
	}
	return lines, flags
}

func (n *night) alarmTitle(id string) string {
	if n.f.snap != nil {
		for _, a := range n.f.snap.Alarms {
			if a.ID == id {
				return a.Title
			}
		}
	}
	return id
}

func (n *night) happened(h *estimate.Happening) string {
	switch h.Kind {
	case estimate.CylinderRemoved:
		return "Cylinder taken off the scale"
	case estimate.CylinderPlaced:
		text := "Cylinder put on the scale"
		if h.NetKg != nil && h.NetLowKg != nil && h.NetHighKg != nil {
			text += ", " + n.l.choice().Value(*h.NetKg, *h.NetLowKg, *h.NetHighKg, show.Kg) + " in it"
		}
		return text
	case estimate.DriveStart:
		return "Drive begins"
	case estimate.DriveEnd:
		return "Drive ends"
	case estimate.ClockStep:
		if h.Seconds != nil {
			return "Clock set by " + show.Number(*h.Seconds, show.Count) + " s"
		}
	case estimate.SensorChanged:
		return h.Channel + ": " + strings.TrimSpace(h.Quality+" "+h.Why)
	}
	return ""
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
			lo, okLow := low.at(s)
			hi, okHigh := high.at(s)
			switch {
			case !ok:
				b.WriteString("no reading")
			case c.unit == show.KgPerH && okLow && okHigh:
				b.WriteString(n.l.choice().Value(q.Mean, lo.Mean, hi.Mean, c.unit))
			default:
				b.WriteString(n.l.choice().Interval(q.Min, q.Max, c.unit))
			}
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
