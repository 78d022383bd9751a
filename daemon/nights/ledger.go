package nights

import (
	"math"
	"slices"
	"time"

	"frostline/daemon/estimate"
	"frostline/sensors"
)

// ModelVersion is written into each row. A row computed again by a later model is a new
// version beside the old one. 2 has energy, appliances, supply, loads and the forecast.
const ModelVersion = 2

const (
	gapAfter      = 60 * time.Second // longer between two ticks, and nobody watched
	keepNights    = 30               // rows the forecast looks back on
	leastLived    = 1.0              // hours; a row with less would be noise
	mostlyFrac    = 0.5              // of a night; with less of it weighed, its fuel is unknown
	mixedMost     = 5 * time.Minute  // of a day that a night dated later may hold
	burnErrFrac   = 0.03             // 95 % error of the burned total itself, estimation.md 2 (bias about 1 % a night, trebled)
	endsErrKg     = 0.030            // 95 % error of the burned total at both ends of the window: a flame that is lit there is not yet weighed (fortnight_test.go)
	apartFrac     = 0.06             // by which the sum of what burned and the fall of the fuel may part: its own error, and that again
	strangeKg     = 0.1              // no tick burns so much
	gapBurnKgPerH = 0.150            // what may burn unseen at least, estimation.md 2
)

// Ledger collects the running night and remembers the last ones. The zero Ledger is not
// ready; use [NewLedger].
type Ledger struct {
	p      Params
	open   *running
	recent []Night // oldest first, at most keepNights
	lastUp time.Duration
	ticked bool

	stretch stretch // the last one asked for

	configured Window
	chosen     bool    // whether the window in use is another
	next       *Window // waits until no night is being lived; never changed in place

	ended   bool    // whether a night has ended that endKg belongs to
	endKg   float64 // burned total at its end
	endDate string

	tonight     Tonight
	tonightAt   time.Duration
	hasTonight  bool
	tonightFuel bool // whether the fuel of the forecast at hand was known
	spoken      spoken
	basis       basis   // of the sentence that stands
	lowC        float64 // the owner's expected low
	lowUntil    time.Time

	heat heatBook
	book tonightBook

	ahead       promise // the newest forecast of a night that has not begun
	calibration Calibration
	scored      bool // whether calibration is that of the rows at hand
}

// NewLedger makes an empty ledger for the window of p.
func NewLedger(p Params) *Ledger {
	p = p.filled()
	return &Ledger{p: p, configured: Window{p.StartMin, p.EndMin}}
}

// filled has the defaults in place of what is not given.
func (p Params) filled() Params {
	if p.Zone == nil {
		p.Zone = time.UTC
	}
	if p.StartMin == p.EndMin {
		p.StartMin, p.EndMin = 18*60, 10*60
	}
	return p
}

// Window is from when to when the night of a local date lasts, the date being that of its
// evening as 2006-01-02. Anything else is no night.
func (p Params) Window(date string) (from, to time.Time, ok bool) {
	day, err := time.Parse(time.DateOnly, date)
	if err != nil {
		return from, to, false
	}
	_, from, to = p.filled().night(day.Date())
	return from, to, true
}

// Saved is what the ledger must remember over a restart.
type Saved struct {
	Open     *running  `json:"open,omitempty"`
	Recent   []Night   `json:"recent,omitempty"`
	LowC     float64   `json:"low_c,omitempty"`
	LowUntil time.Time `json:"low_until"`
	Ended    bool      `json:"ended,omitempty"`
	EndKg    float64   `json:"end_kg,omitempty"`
	EndDate  string    `json:"end_date,omitempty"`

	Heat  *heatSaved `json:"heat,omitempty"`
	Ahead *promise   `json:"ahead,omitempty"`
	Said  *spoken    `json:"said,omitempty"`

	Window *chosenWindow `json:"window,omitempty"`
}

// Save returns what Restore needs.
func (l *Ledger) Save() Saved {
	s := Saved{Recent: l.recent, LowC: l.lowC, LowUntil: l.lowUntil, Ended: l.ended, EndKg: l.endKg, EndDate: l.endDate,
		Heat: l.heat.save()}
	if l.open != nil {
		open := *l.open
		open.Appliances, open.Loads = slices.Clone(open.Appliances), slices.Clone(open.Loads)
		s.Open = &open
	}
	if ahead := l.ahead; !ahead.Ends.IsZero() {
		s.Ahead = &ahead
	}
	s.Said, s.Window = l.spoken.save(), l.saveWindow()
	return s
}

// Restore continues a saved ledger after a restart; the time in between counts as a gap once
// the next tick tells how long it was.
func (l *Ledger) Restore(s Saved) {
	l.restore(s)
	l.ticked = false
	if l.open != nil {
		l.open.Torn = true
	}
}

// Continue goes on within the boot in which s was saved at up, as after a change of the
// configuration: what lies between is a tick like any other.
func (l *Ledger) Continue(s Saved, up time.Duration) {
	l.restore(s)
	l.lastUp, l.ticked = up, true
}

func (l *Ledger) restore(s Saved) {
	l.open, l.recent, l.lowC, l.lowUntil = s.Open, s.Recent, s.LowC, s.LowUntil
	l.ended, l.endKg, l.endDate, l.scored = s.Ended, s.EndKg, s.EndDate, false
	l.heat = restoreHeat(s.Heat, s.Recent)
	l.restoreWindow(s.Window)
	if l.open != nil && (!l.open.To.After(l.open.From) || l.open.Band < 0 || l.open.Band >= len(bands)) {
		l.open = nil // no night is like that; what a bad card made of it must not stop the rest
	}
	l.ahead = promise{}
	if s.Ahead != nil {
		l.ahead = *s.Ahead
	}
	l.spoken, l.basis = restoreSpoken(s.Said), basis{}
}

// Expect takes the owner's forecast of the lowest outside temperature until the end of the
// coming night.
func (l *Ledger) Expect(lowC float64, st sensors.Stamp) {
	l.lowC = lowC
	_, _, l.lowUntil = l.coming(st.Wall)
	l.hasTonight, l.spoken = false, spoken{}
}

// Step lives one tick: alarms is the number raised in it. It returns the row of a night
// that has just ended, or nil.
func (l *Ledger) Step(st sensors.Stamp, e *estimate.Estimates, alarms int) *Night {
	dt := st.Up - l.lastUp
	if !l.ticked || dt < 0 {
		dt = 0
	}
	l.lastUp, l.ticked = st.Up, true

	l.turn(st.Wall)
	date, from, to, inside := l.window(st.Wall)
	if l.open != nil && !e.ClockTrusted && l.open.lasts() {
		// A label nobody vouches for ends no night: a board that comes back in the past
		// goes on with the night it was in.
		l.open.add(&l.p, e, dt, alarms)
		return nil
	}
	if l.open != nil && l.open.Untrusted && e.ClockTrusted && inside {
		l.redate(date, from, to, st.Wall.Add(-dt))
	}
	var done *Night
	if l.open != nil && (!inside || date != l.open.Date) {
		// Before its beginning by a clock that is believed: the one that dated it was fast.
		l.open.Untrusted = l.open.Untrusted || e.ClockTrusted && st.Wall.Before(l.open.From)
		done = l.close()
	}
	if !inside || st.Wall.IsZero() {
		l.lookAhead(st.Up)
		return done
	}
	if l.open == nil {
		l.open = &running{Date: date, From: from, To: to, FirstKg: e.BurnedKg, LastKg: e.BurnedKg, DayKg: l.dayBefore(from, e.BurnedKg)}
		// A night that began before the program did has a gap at its head.
		l.open.HeadH = max(0, st.Wall.Sub(from).Hours()-dt.Hours())
		l.open.GapH = l.open.HeadH
	}
	l.remember(l.open, st.Wall)
	l.open.add(&l.p, e, dt, alarms)
	return done
}

// dayBefore is what was burned since the night before; nil if that night was not seen.
func (l *Ledger) dayBefore(from time.Time, burnedKg float64) *float64 {
	if !l.ended || l.endDate != from.AddDate(0, 0, -1).Format(time.DateOnly) || burnedKg < l.endKg {
		return nil
	}
	day := burnedKg - l.endKg
	return &day
}

// redate gives the open night its true window when the clock has just become right: what
// was lived is counted by the monotonic clock, so the moment it began is known to the second
// and the row is as good as any other. Not so where a restart lies in between, whose
// length nobody knows, or where part of it was no night at all: a board without a clock may
// take noon for evening. Such a night is left as it is: it ends here, keeps its mark, and
// what is left of the true one is a row of its own.
func (l *Ledger) redate(date string, from, to, wall time.Time) {
	r := l.open
	began := wall.Add(-time.Duration(r.SinceH * float64(time.Hour)))
	if r.Torn || began.Before(from.Add(-mixedMost)) {
		return
	}
	headH := max(0, began.Sub(from).Hours())
	r.Date, r.From, r.To, r.Untrusted = date, from, to, false
	r.GapH, r.HeadH = max(0, r.GapH+headH-r.HeadH), headH
	r.DayKg = l.dayBefore(from, r.FirstKg)
}

// num rounds for the ledger: a row is for people and holds no more digits than are true.
func num(v float64, digits int) *float64 {
	r := round(v, digits)
	return &r
}

func round(v float64, digits int) float64 {
	p := math.Pow10(digits)
	return math.Round(v*p) / p
}

// window says whether a wall label lies inside a night, and which. Local time through the
// zone keeps it right over daylight saving: the window may then be an hour longer or
// shorter than usual.
func (l *Ledger) window(wall time.Time) (date string, from, to time.Time, inside bool) {
	if wall.IsZero() {
		return "", from, to, false
	}
	// Most ticks lie in the stretch of the tick before: a night, or the day up to the next.
	if s := &l.stretch; wall.Before(s.begin) || !wall.Before(s.end) {
		*s = l.around(wall)
	}
	s := &l.stretch
	return s.date, s.begin, s.end, s.date != ""
}

// stretch is a night, or with an empty date the time between two nights.
type stretch struct {
	date       string
	begin, end time.Time
}

func (l *Ledger) around(wall time.Time) stretch {
	local := wall.In(l.p.Zone)
	var ended time.Time
	for back := -1; back <= 1; back++ {
		date, from, to := l.p.night(local.Year(), local.Month(), local.Day()+back)
		switch {
		case wall.Before(from):
			return stretch{"", ended, from}
		case wall.Before(to):
			return stretch{date, from, to}
		}
		ended = to
	}
	panic("nights: a moment after tomorrow evening") // tomorrow's evening is after now
}

// night is the window whose evening is the given local day.
func (p Params) night(y int, m time.Month, d int) (date string, from, to time.Time) {
	at := func(day, minute int) time.Time {
		return time.Date(y, m, day, minute/60, minute%60, 0, 0, p.Zone)
	}
	from, to = at(d, p.StartMin), at(d, p.EndMin)
	if p.EndMin <= p.StartMin {
		to = at(d+1, p.EndMin)
	}
	return from.Format("2006-01-02"), from, to
}

// coming is the night being lived, or the next one.
func (l *Ledger) coming(wall time.Time) (date string, from, to time.Time) {
	date, from, to, inside := l.window(wall)
	if inside {
		return date, from, to
	}
	local := wall.In(l.p.Zone)
	for ahead := 0; ; ahead++ {
		date, from, to = l.p.night(local.Year(), local.Month(), local.Day()+ahead)
		if from.After(wall) {
			return date, from, to
		}
	}
}

// Recent is the rows the forecast looks back on, oldest first. It must not be changed.
func (l *Ledger) Recent() []Night { return l.recent }
