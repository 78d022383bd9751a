package nights

import (
	"math"
	"time"

	"frostline/daemon/estimate"
	"frostline/sensors"
)

// ModelVersion is written into each row. A row computed again by a later model is a new
// version beside the old one.
const ModelVersion = 1

const (
	gapAfter      = 60 * time.Second // longer between two ticks, and nobody watched
	keepNights    = 30               // rows the forecast looks back on
	leastLived    = 1.0              // hours; a row with less would be noise
	mostlyFrac    = 0.5              // of a night; with less of it weighed, its fuel is unknown
	burnErrFrac   = 0.03             // 95 % error of the burned total itself, estimation.md 2 (bias about 1 % a night, trebled)
	weighErrKg    = 0.010            // 95 % error of two settled weighings, sensing.md 3.7
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

	ended   bool    // whether a night has ended that endKg belongs to
	endKg   float64 // burned total at its end
	endDate string

	tonight     Tonight
	tonightAt   time.Duration
	hasTonight  bool
	tonightOf   estimate.Presence // what the forecast at hand was made for
	tonightFuel bool
	lowC        float64 // the owner's expected low
	lowUntil    time.Time

	heat heatBook
}

// running is the night being lived. Its fields are exported for the checkpoint only.
type running struct {
	Date                       string `json:"date"`
	From, To                   time.Time
	DayKg                      *float64
	LivedH                     float64
	FirstKg, LastKg            float64 // burned total at both ends
	LockerFirstC, LockerLastC  float64
	HasLocker                  bool
	HeaterKg, OtherKg, HeaterH float64
	Outside, Cabin             mean
	PipeLowC                   float64
	HasPipe                    bool
	DegreeHours                float64
	DegreeH                    float64 // hours DegreeHours covers
	Band                       int
	WatchedH, GapH             float64
	Alarms                     int
	Moved, Changed, Untrusted  bool
}

// mean is a time-weighted mean with its least value.
type mean struct {
	SumCH, H, LowC float64
}

func (m *mean) add(q estimate.Quantity, h float64) {
	if !q.Known() {
		return
	}
	if m.H == 0 || q.Value < m.LowC {
		m.LowC = q.Value
	}
	m.SumCH += q.Value * h
	m.H += h
}

// NewLedger makes an empty ledger for the window of p.
func NewLedger(p Params) *Ledger {
	if p.Zone == nil {
		p.Zone = time.UTC
	}
	if p.StartMin == p.EndMin {
		p.StartMin, p.EndMin = 18*60, 10*60
	}
	return &Ledger{p: p}
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

	Heat *heatSaved `json:"heat,omitempty"`
}

// Save returns what Restore needs.
func (l *Ledger) Save() Saved {
	s := Saved{Recent: l.recent, LowC: l.lowC, LowUntil: l.lowUntil, Ended: l.ended, EndKg: l.endKg, EndDate: l.endDate,
		Heat: l.heat.save()}
	if l.open != nil {
		open := *l.open
		s.Open = &open
	}
	return s
}

// Restore continues a saved ledger; the time in between counts as a gap once the next tick
// tells how long it was.
func (l *Ledger) Restore(s Saved) {
	l.open, l.recent, l.lowC, l.lowUntil = s.Open, s.Recent, s.LowC, s.LowUntil
	l.ended, l.endKg, l.endDate = s.Ended, s.EndKg, s.EndDate
	l.heat = restoreHeat(s.Heat, s.Recent)
	if l.open != nil && (!l.open.To.After(l.open.From) || l.open.Band < 0 || l.open.Band >= len(bands)) {
		l.open = nil // no night is like that; what a bad card made of it must not stop the rest
	}
	l.ticked = false
}

// Expect takes the owner's forecast of the lowest outside temperature until the end of the
// coming night.
func (l *Ledger) Expect(lowC float64, st sensors.Stamp) {
	l.lowC = lowC
	_, _, l.lowUntil = l.coming(st.Wall)
	l.hasTonight = false
}

// Step lives one tick: alarms is the number raised in it. It returns the row of a night
// that has just ended, or nil.
func (l *Ledger) Step(st sensors.Stamp, e *estimate.Estimates, alarms int) *Night {
	dt := st.Up - l.lastUp
	if !l.ticked || dt < 0 {
		dt = 0
	}
	l.lastUp, l.ticked = st.Up, true

	date, from, to, inside := l.window(st.Wall)
	if l.open != nil && !e.ClockTrusted && l.open.lasts() {
		// A label nobody vouches for ends no night: a board that comes back in the past
		// goes on with the night it was in.
		l.open.add(e, dt, alarms)
		return nil
	}
	var done *Night
	if l.open != nil && (!inside || date != l.open.Date) {
		done = l.close()
	}
	if !inside || st.Wall.IsZero() {
		return done
	}
	if l.open == nil {
		l.open = &running{Date: date, From: from, To: to, FirstKg: e.BurnedKg}
		if l.ended && l.endDate == from.AddDate(0, 0, -1).Format("2006-01-02") && e.BurnedKg >= l.endKg {
			day := e.BurnedKg - l.endKg
			l.open.DayKg = &day
		}
		// A night that began before the program did has a gap at its head.
		l.open.GapH = max(0, st.Wall.Sub(from).Hours()-dt.Hours())
	}
	l.open.add(e, dt, alarms)
	return done
}

// lasts reports whether less time has been lived than the night is long.
func (r *running) lasts() bool { return r.WatchedH+r.GapH < r.To.Sub(r.From).Hours() }

func (r *running) add(e *estimate.Estimates, dt time.Duration, alarms int) {
	h := dt.Hours()
	r.Alarms += alarms
	r.Moved = r.Moved || e.Moving
	r.Untrusted = r.Untrusted || !e.ClockTrusted
	r.Band = max(r.Band, bandRank(e.Band))
	r.LastKg = e.BurnedKg
	for _, x := range e.Happened {
		if x.Kind == estimate.CylinderPlaced || x.Kind == estimate.CylinderRemoved {
			r.Changed = true
		}
	}
	if e.LockerC.Known() {
		if !r.HasLocker {
			r.HasLocker, r.LockerFirstC = true, e.LockerC.Value
		}
		r.LockerLastC = e.LockerC.Value
	}
	if dt > gapAfter {
		r.GapH += h
		return
	}
	r.LivedH += h
	if e.BurnKgPerH.Known() {
		r.WatchedH += h
	} else {
		r.GapH += h
	}
	if e.HeaterKgPerH.Known() {
		r.HeaterKg += e.HeaterKgPerH.Value * h
		if e.HeaterKgPerH.Value > 0 {
			r.HeaterH += h
		}
	}
	if e.OtherKgPerH.Known() {
		r.OtherKg += e.OtherKgPerH.Value * h
	}
	r.Outside.add(e.OutsideC, h)
	r.Cabin.add(e.CabinC, h)
	if e.PipeC.Known() && (!r.HasPipe || e.PipeC.Value < r.PipeLowC) {
		r.HasPipe, r.PipeLowC = true, e.PipeC.Value
	}
	if e.OutsideC.Known() && e.CabinC.Known() {
		r.DegreeHours += max(0, e.CabinC.Value-e.OutsideC.Value) * h
		r.DegreeH += h
	}
}

func (l *Ledger) close() *Night {
	r := l.open
	l.open = nil
	l.hasTonight = false
	span := r.To.Sub(r.From).Hours()
	// Time of the window that neither was watched nor counted as a gap was lived by nobody.
	r.GapH = min(span, max(r.GapH, span-r.WatchedH))
	l.ended, l.endKg, l.endDate = true, r.LastKg, r.Date
	if r.LivedH < leastLived {
		return nil
	}
	n := Night{Kind: "night", Date: r.Date, FromWall: r.From.UTC().Format(time.RFC3339),
		ToWall: r.To.UTC().Format(time.RFC3339), Version: ModelVersion,
		HighestBand: string(bands[r.Band]), WatchedH: round(r.WatchedH, 2), GapH: round(r.GapH, 2),
		Alarms: r.Alarms, Moved: r.Moved, CylinderChanged: r.Changed, ClockUntrusted: r.Untrusted}
	l.fuelOf(r, &n, span)
	if r.Outside.H > 0 {
		n.OutsideLowC, n.OutsideMeanC = num(r.Outside.LowC, 1), num(r.Outside.SumCH/r.Outside.H, 1)
	}
	if r.Cabin.H > 0 {
		n.CabinLowC, n.CabinMeanC = num(r.Cabin.LowC, 1), num(r.Cabin.SumCH/r.Cabin.H, 1)
	}
	if r.HasPipe {
		n.PipeLowC = num(r.PipeLowC, 1)
	}
	if r.DegreeH > 0 {
		n.DegreeHours = num(r.DegreeHours, 1)
	}
	l.recent = append(append([]Night(nil), l.recent...), n)
	if len(l.recent) > keepNights {
		l.recent = l.recent[len(l.recent)-keepNights:]
	}
	l.heat.add(n)
	return &n
}

// fuelOf fills in what the night burned, if enough of it was weighed to say so.
func (l *Ledger) fuelOf(r *running, n *Night, spanH float64) {
	if r.WatchedH < mostlyFrac*spanH || r.LastKg < r.FirstKg {
		return
	}
	burned := r.LastKg - r.FirstKg
	half := math.Hypot(burnErrFrac*burned, weighErrKg)
	if r.HasLocker {
		half = math.Hypot(half, l.p.DriftKgPerK*(r.LockerLastC-r.LockerFirstC))
	} else {
		half = math.Hypot(half, l.p.DriftKgPerK*10) // a night's swing, unmeasured
	}
	n.BurnedKg = num(burned, 4)
	n.BurnedLowKg = num(max(0, burned-half), 4)
	n.BurnedHighKg = num(burned+half+max(gapBurnKgPerH, l.p.HeaterKgPerH)*r.GapH, 4)
	n.HeaterKg, n.OtherKg, n.HeaterH = num(r.HeaterKg, 4), num(r.OtherKg, 4), num(r.HeaterH, 2)
	if r.DayKg != nil {
		n.DayKg = num(*r.DayKg, 4)
	}
}

var bands = [...]estimate.GasBand{estimate.Background, estimate.Blind, estimate.Trace, estimate.Warning, estimate.Leave}

// bandRank orders bands by how much a night's row should say of them: blind hides more
// than background and less than vapours that were seen.
func bandRank(b estimate.GasBand) int {
	for i, x := range bands {
		if x == b {
			return i
		}
	}
	return 1
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
		date, from, to := l.night(local.Year(), local.Month(), local.Day()+back)
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
func (l *Ledger) night(y int, m time.Month, d int) (date string, from, to time.Time) {
	at := func(day, minute int) time.Time {
		return time.Date(y, m, day, minute/60, minute%60, 0, 0, l.p.Zone)
	}
	from, to = at(d, l.p.StartMin), at(d, l.p.EndMin)
	if l.p.EndMin <= l.p.StartMin {
		to = at(d+1, l.p.EndMin)
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
		date, from, to = l.night(local.Year(), local.Month(), local.Day()+ahead)
		if from.After(wall) {
			return date, from, to
		}
	}
}

// Recent is the rows the forecast looks back on, oldest first. It must not be changed.
func (l *Ledger) Recent() []Night { return l.recent }
