package web

import (
	"context"
	"fmt"
	"html/template"
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

// leastPart is the shortest part of a night that is drawn: minutes are the finest there is.
const leastPart = 20 * time.Minute

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

// dayWords is a date as people say it, "Tue 24 Nov", with the year where it is not near by.
func dayWords(date, layout string) string {
	day, err := time.Parse(time.DateOnly, date)
	if err != nil {
		return date
	}
	return day.Format(layout)
}

const (
	nearDay  = "Mon 2 Jan"
	wholeDay = "Mon 2 Jan 2006"
)

func (n *night) view(ctx context.Context, rows []nights.Night) (*nightView, error) {
	v := &nightView{Title: "Night of " + dayWords(n.date, wholeDay), Span: n.clock(n.from) + " to " + n.clock(n.to)}
	if n.now {
		v.Title, v.Why = "Tonight, so far", "Its numbers are added up when it is over."
	}
	for _, o := range rows {
		switch link := (&nightLink{dayWords(o.Date, nearDay), nightTarget(o.Date)}); {
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

// log is what happened in words. Flames are in the picture and counted at the end; an alarm
// that was raised has a flag.
func (n *night) log(events []core.Event) (lines []logLine, flags []show.Mark) {
	say := n.l.choice().Text // of the core only: a title or a person's name may read like a number
	lit := 0
	for _, e := range events {
		line := logLine{At: n.clock(e.Stamp.Wall)}
		switch {
		case e.Alarm != nil && e.Alarm.To == alerts.Unacked.String():
			line.Flag = strconv.Itoa(len(flags) + 1)
			flags = append(flags, show.Mark{AtS: e.Stamp.Wall.Sub(n.a).Seconds(), Label: line.Flag})
			line.Text = n.alarmTitle(e.Alarm.ID) + " (" + e.Alarm.Priority + "): " + say(e.Alarm.Why)
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
		return h.Channel + ": " + strings.TrimSpace(h.Quality+" "+n.l.choice().Text(h.Why))
	}
	return ""
}
