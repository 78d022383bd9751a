package nights

import (
	"fmt"
	"math"
	"slices"
	"time"

	"frostline/daemon/estimate"
	"frostline/daemon/show"
)

const (
	likelyOdds   = 0.9  // "likely enough"
	doubtfulOdds = 0.5  // below this "not enough" is the likelier word
	roundUpFrac  = 0.75 // of a night that may be called one more

	betterFor   = 10 * time.Minute // numbers must have been better before the words are
	unseenAfter = 2 * tonightEvery // between two forecasts, and nobody knows what was in between
)

// standing orders sentences from the worst to the best.
type standing int

const (
	learningNoBound standing = iota
	learningNoClock
	learningTooThin
	learningThin
	learningHours // by day
	learningUntil // in the night
	fullHeatTooThin
	fullHeatThin
	fullHeatEnough
	notEnough
	doubtful
	tooThin
	mayBeThin
	onlyTonight
	moreNights
	ranksN
)

// thin reports whether the sentence is about the pressure.
func (r standing) thin() bool {
	switch r {
	case learningTooThin, learningThin, fullHeatTooThin, fullHeatThin, tooThin, mayBeThin:
		return true
	}
	return false
}

// sentence is a verdict: at most six words. Exported for the checkpoint only.
type sentence struct {
	Rank   standing          `json:"rank"`
	Amount float64           `json:"amount,omitempty"` // hours, minutes or nights in the words; more is better
	Words  string            `json:"words"`
	Enough estimate.Tristate `json:"enough,omitempty"`
}

func (s sentence) worseThan(x sentence) bool {
	return s.Rank < x.Rank || s.Rank == x.Rank && s.Amount < x.Amount
}

// spoken is the sentence that stands, and since when the numbers have been better than it:
// the wording worsens at once, and improves when they have been better for ten minutes
// together, to the least good of what they were meanwhile. Exported for the checkpoint only.
type spoken struct {
	sentence
	Ends      time.Time     `json:"ends"` // of the night it is about
	At        time.Duration `json:"at_ns"`
	Better    *sentence     `json:"better,omitempty"`
	BetterFor time.Duration `json:"better_for_ns,omitempty"`
}

// say takes the sentence of the moment and returns the one that stands.
//
// Another night's numbers are no improvement of this one's and stand at once. So do those
// that follow from another cylinder or from what a person entered (a tare, an expected low):
// the ten minutes keep noise from promising something, and these are news. Whoever has just
// changed the cylinder in the cold must not read for ten minutes that it is not enough. For
// them the caller forgets what was said before.
//
// Pressure that cannot be said, as after a restart, is not pressure that is enough: what was said
// of it stands until it can.
func (s *spoken) say(now sentence, up time.Duration, ends time.Time, blind bool) (string, estimate.Tristate) {
	if s.Words == "" || !s.Ends.Equal(ends) || !s.worseThan(now) {
		*s = spoken{sentence: now, Ends: ends, At: up}
		return s.Words, s.Enough
	}
	if blind && s.Rank.thin() {
		s.interrupt()
		s.At = up
		return s.Words, s.Enough
	}
	seen := up >= s.At && up-s.At <= unseenAfter
	if s.Better == nil || !seen {
		s.Better, s.BetterFor = &now, 0
	} else {
		s.BetterFor += up - s.At
		if now.worseThan(*s.Better) {
			s.Better = &now
		}
	}
	s.At = up
	if s.BetterFor >= betterFor {
		*s = spoken{sentence: *s.Better, Ends: ends, At: up}
	}
	return s.Words, s.Enough
}

// interrupt ends a stretch of better numbers.
func (s *spoken) interrupt() { s.Better, s.BetterFor = nil, 0 }

func (s *spoken) save() *spoken {
	if s.Words == "" {
		return nil
	}
	out := *s
	return &out
}

// restoreSpoken continues what was said; one that makes no sense is forgotten.
func restoreSpoken(s *spoken) spoken {
	const longest = 60
	sane := func(x *sentence) bool {
		return x.Rank >= 0 && x.Rank < ranksN && x.Words != "" && len(x.Words) <= longest
	}
	if s == nil || !sane(&s.sentence) || s.Better != nil && !sane(s.Better) || s.BetterFor < 0 {
		return spoken{}
	}
	return *s
}

// basis is what a sentence was said of. It is not saved: a restart finds the cylinder as it is.
type basis struct {
	known      bool
	cylinder   estimate.Presence
	tare       bool
	name       string
	capacityKg float64
}

// changed reports whether a forecast is due, and whether there is news: another cylinder than
// before, a calibrated scale, or its owner has said more of it. A scale that cannot say for a while is none.
func (b *basis) changed(e *estimate.Estimates) (due, news bool) {
	was := *b
	*b = basis{known: true, cylinder: e.Cylinder, tare: e.TareEntered, name: e.CylinderName, capacityKg: e.CapacityKg.Value}
	if rescaled(e) {
		return true, true
	}
	for i := range e.Happened {
		if e.Happened[i].Kind == estimate.CylinderPlaced {
			return true, true
		}
	}
	if !was.known || was == *b {
		return false, false
	}
	removed := b.cylinder == estimate.Removed && was.cylinder != estimate.Removed
	was.cylinder = b.cylinder
	return true, removed || was != *b
}

// judge chooses the sentence from the numbers, and puts odds and facts beside it.
func (l *Ledger) judge(t *Tonight, a *asked, b *tried, wall time.Time) sentence {
	warm := 1.0 // where nothing is known of it
	if b != nil && b.pressure == "" {
		warm = b.warmOdds
	}
	thin := warm < likelyOdds
	if a.u.nights < leastNights {
		s := l.firstDay(t, a, warm, wall)
		if b == nil || b.pressure != "" {
			return thinAhead(s, t, a)
		}
		if thin {
			t.Facts = append([]string{l.thinFact(t, b, wall)}, t.Facts...)
		}
		return s
	}
	t.Odds = show.Odds(t.FuelOdds.Value)
	s := l.byOdds(t, a, b, warm)
	t.Facts = l.facts(t, a, b)
	switch {
	case b.pressure != "":
		return thinAhead(s, t, a)
	case thin:
		t.Odds = "fuel " + t.Odds + ", pressure " + show.Odds(b.warmOdds)
		t.Facts = append([]string{l.thinFact(t, b, wall)}, t.Facts...)
	}
	return s
}

// byOdds is the sentence once nights have been seen.
func (l *Ledger) byOdds(t *Tonight, a *asked, b *tried, warm float64) sentence {
	odds := t.FuelOdds.Value
	switch {
	case odds < doubtfulOdds:
		return sentence{Rank: notEnough, Words: "Not enough for tonight.", Enough: estimate.No}
	case odds < likelyOdds || a.leastKg < b.needMidKg: // what nobody has weighed promises nothing
		return sentence{Rank: doubtful, Words: "Doubtful for the whole night."}
	case warm < doubtfulOdds:
		return sentence{Rank: tooThin, Words: "Fuel enough. Pressure too thin."}
	case warm < likelyOdds:
		return sentence{Rank: mayBeThin, Words: "Fuel enough. Pressure may be thin."}
	}
	more := math.Floor(b.moreNights + 1 - roundUpFrac)
	if more < 1 {
		return sentence{Rank: onlyTonight, Words: "Likely enough for tonight only.", Enough: estimate.Yes}
	}
	return sentence{Rank: moreNights, Amount: more, Enough: estimate.Yes,
		Words: fmt.Sprintf("Likely enough. About %.0f more %s.", more, plural(more, "night"))}
}

// firstDay answers without a history: how long the least fuel lasts at the most the heater
// can take, from now on.
func (l *Ledger) firstDay(t *Tonight, a *asked, warm float64, wall time.Time) sentence {
	t.Odds = learning(a.u.nights)
	if !t.FullInputLeftH.Known() {
		t.Facts = []string{t.FullInputLeftH.Why}
		return sentence{Rank: learningNoBound, Words: "Learning. No bound yet."}
	}
	least := t.FullInputLeftH.Low
	until := fmt.Sprintf("%.0f h", math.Floor(least))
	var s sentence
	switch {
	case t.EndsWall.IsZero():
		s = sentence{Rank: learningNoClock, Words: "Learning. Clock not trusted."}
	case least >= a.hours.before+a.hours.left && warm < doubtfulOdds:
		s = sentence{Rank: fullHeatTooThin, Words: "Fuel enough. Pressure too thin."}
	case least >= a.hours.before+a.hours.left && warm < likelyOdds:
		s = sentence{Rank: fullHeatThin, Words: "Fuel enough. Pressure may be thin."}
	case least >= a.hours.before+a.hours.left:
		s = sentence{Rank: fullHeatEnough, Words: "Likely enough, even at full heat.", Enough: estimate.Yes}
	case warm < doubtfulOdds:
		s = sentence{Rank: learningTooThin, Words: "Learning. Pressure too thin."}
	case warm < likelyOdds:
		s = sentence{Rank: learningThin, Words: "Learning. Pressure may be thin."}
	case l.inside(wall):
		end := wall.Add(time.Duration(least * float64(time.Hour)))
		until = "until " + end.In(l.p.Zone).Format("15:04")
		s = sentence{Rank: learningUntil, Amount: float64(end.Unix() / 60), Words: "Learning. At least " + until + "."}
	default:
		h := math.Floor(least)
		s = sentence{Rank: learningHours, Amount: h, Words: fmt.Sprintf("Learning. At least %.0f %s.", h, plural(h, "hour"))}
	}
	t.Facts = []string{"at full heater input, cooking not counted, the least fuel you may have lasts " + until + "; with typical use, longer",
		kgs(a.est.FuelKg) + " in the cylinder"}
	return s
}

// facts are what the verdict rests on, as ranges.
func (l *Ledger) facts(t *Tonight, a *asked, b *tried) []string {
	by := fmt.Sprintf(" a night, by the last %d", a.u.nights)
	if b.line && t.Heat.Learned {
		by = " a night, by this van's heat loss"
	}
	facts := []string{kgs(a.est.FuelKg) + " in the cylinder", kgs(t.NightKg) + by}
	if q := t.ExpectedLowC; q.Known() {
		fact := "expected low " + show.Interval(q.Low, q.High, show.C)
		if a.said && a.u.hasCold && q.Value < a.u.coldestC {
			fact += ", colder than the nights this rests on"
		}
		facts = append(facts, fact)
	}
	return facts
}

// thinFact says from when.
func (l *Ledger) thinFact(t *Tonight, b *tried, wall time.Time) string {
	verb, h := "pressure thin ", t.ThinAfterH.Value
	if !t.ThinAfterH.Known() {
		verb, h = "pressure may be thin ", b.thinEarlyH
	}
	switch {
	case h < courseH/2:
		return verb + "now"
	case math.IsInf(h, 1): // it comes near and hardly ever beyond
		return verb + "tonight"
	case t.EndsWall.IsZero():
		return verb + fmt.Sprintf("after %.0f h of night", math.Floor(h))
	}
	const grain = 10 * time.Minute
	return verb + "after " + wall.Add(time.Duration(h*float64(time.Hour))).In(l.p.Zone).Round(grain).Format("15:04")
}

// thinAhead says where the cylinder may be too cold for what burns before the night is over,
// by the outlooks of the burn: for vans whose pressure no forecast can carry through the night.
func thinAhead(s sentence, t *Tonight, a *asked) sentence {
	h := math.Inf(1)
	see := func(o *estimate.Outlook) {
		if o.HoursH.Known() && o.EndsLow == estimate.EndsByPressure && o.Name != "all" {
			h = min(h, o.HoursH.Low)
		}
	}
	see(&a.est.Outlook)
	for i := range a.est.ApplianceOutlooks {
		see(&a.est.ApplianceOutlooks[i])
	}
	if h >= a.hours.before+a.hours.left {
		return s
	}
	when := "now"
	if h >= 1 {
		when = fmt.Sprintf("after %.0f h", math.Floor(h))
	} else if h > 0.1 {
		when = fmt.Sprintf("after %.0f min", math.Floor(60*h))
	}
	t.Facts = append([]string{"pressure may be thin " + when + " at full heat, however much fuel is left"}, t.Facts...)
	switch s.Rank {
	case fullHeatEnough:
		return sentence{Rank: fullHeatThin, Words: "Fuel enough. Pressure may be thin."}
	case onlyTonight, moreNights:
		return sentence{Rank: mayBeThin, Words: "Fuel enough. Pressure may be thin."}
	case learningHours, learningUntil:
		return sentence{Rank: learningThin, Words: "Learning. Pressure may be thin."}
	}
	return s
}

// outlooked reports whether there is an outlook to judge the pressure by.
func outlooked(e *estimate.Estimates) bool {
	known := func(o estimate.Outlook) bool { return o.HoursH.Known() }
	return known(e.Outlook) || slices.ContainsFunc(e.ApplianceOutlooks, known)
}
