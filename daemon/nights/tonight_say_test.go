package nights

import (
	"reflect"
	"strings"
	"testing"
	"time"

	"frostline/daemon/estimate"
	"frostline/sensors"
)

// numbers are those a sentence is chosen from; base are of an ordinary evening.
type numbers struct {
	rows                     int
	fuelOdds, warmOdds       float64
	leastKg, needKg, more    float64
	fullInputH               float64 // that the least fuel lasts; 0 without a heater
	beforeH, leftH           float64
	outlookH                 float64 // until an outlook ends by pressure; 0 is none
	noPressure, noClock, day bool
}

func evening() numbers {
	return numbers{rows: 6, fuelOdds: 0.99, warmOdds: 0.99, leastKg: 5, needKg: 1.2, more: 3.2, fullInputH: 12, leftH: 14}
}

func (n numbers) verdict() (sentence, *Tonight) {
	l := NewLedger(Params{HeaterKgPerH: 0.15})
	wall := time.Date(2026, 11, 25, 20, 0, 0, 0, time.UTC)
	if n.day {
		wall = wall.Add(-8 * time.Hour)
	}
	t := &Tonight{FuelOdds: known(n.fuelOdds, n.fuelOdds, n.fuelOdds), EndsWall: wall.Add(time.Duration((n.beforeH + n.leftH) * float64(time.Hour))),
		FullInputLeftH: known(n.fullInputH*1.2, n.fullInputH, n.fullInputH*1.5), NightKg: known(n.needKg, n.needKg-0.2, n.needKg+0.3)}
	if n.fullInputH == 0 {
		t.FullInputLeftH = estimate.Unknown("no heater is configured")
	}
	if n.noClock {
		t.EndsWall = time.Time{}
	}
	e := &estimate.Estimates{FuelKg: known(n.leastKg+0.3, n.leastKg, n.leastKg+0.6)}
	if n.outlookH > 0 {
		e.Outlook = estimate.Outlook{HoursH: known(n.outlookH+1, n.outlookH, n.outlookH+2), EndsLow: estimate.EndsByPressure}
	}
	a := &asked{u: usual{nights: n.rows}, est: e, leastKg: n.leastKg, hours: hours{before: n.beforeH, left: n.leftH, night: 16}}
	b := &tried{warmOdds: n.warmOdds, needMidKg: n.needKg, moreNights: n.more, line: true, thinEarlyH: 5}
	if n.noPressure {
		b.pressure = "the blend is not entered"
	}
	return l.judge(t, a, b, wall), t
}

func TestEverySentenceHasItsNumbersAndItsNeighbours(t *testing.T) {
	seen := map[standing]bool{}
	for name, c := range map[string]struct {
		change func(*numbers)
		want   string
		enough estimate.Tristate
	}{
		"fuel likelier short than not":      {func(n *numbers) { n.fuelOdds = 0.499 }, "Not enough for tonight.", estimate.No},
		"fuel as likely as not":             {func(n *numbers) { n.fuelOdds = 0.5 }, "Doubtful for the whole night.", estimate.Unsure},
		"fuel one in ten short":             {func(n *numbers) { n.fuelOdds = 0.899 }, "Doubtful for the whole night.", estimate.Unsure},
		"fuel nine in ten":                  {func(n *numbers) { n.fuelOdds = 0.9 }, "Likely enough. About 3 more nights.", estimate.Yes},
		"the least of it under what is due": {func(n *numbers) { n.leastKg = 1.19 }, "Doubtful for the whole night.", estimate.Unsure},
		"the least of it just what is due":  {func(n *numbers) { n.leastKg = 1.2 }, "Likely enough. About 3 more nights.", estimate.Yes},
		"pressure likelier short than not":  {func(n *numbers) { n.warmOdds = 0.499 }, "Fuel enough. Pressure too thin.", estimate.Unsure},
		"pressure as likely as not":         {func(n *numbers) { n.warmOdds = 0.5 }, "Fuel enough. Pressure may be thin.", estimate.Unsure},
		"pressure one in ten short":         {func(n *numbers) { n.warmOdds = 0.899 }, "Fuel enough. Pressure may be thin.", estimate.Unsure},
		"pressure nine in ten":              {func(n *numbers) { n.warmOdds = 0.9 }, "Likely enough. About 3 more nights.", estimate.Yes},
		"both short: the fuel is said":      {func(n *numbers) { n.fuelOdds, n.warmOdds = 0.3, 0.2 }, "Not enough for tonight.", estimate.No},
		"hardly a night more":               {func(n *numbers) { n.more = 0.74 }, "Likely enough for tonight only.", estimate.Yes},
		"three quarters of a night more":    {func(n *numbers) { n.more = 0.76 }, "Likely enough. About 1 more night.", estimate.Yes},
		"not yet two":                       {func(n *numbers) { n.more = 1.74 }, "Likely enough. About 1 more night.", estimate.Yes},
		"nearly two":                        {func(n *numbers) { n.more = 1.76 }, "Likely enough. About 2 more nights.", estimate.Yes},
		"a month":                           {func(n *numbers) { n.more = 31 }, "Likely enough. About 31 more nights.", estimate.Yes},
		"no forecast of pressure": {func(n *numbers) { n.noPressure, n.warmOdds = true, 0 },
			"Likely enough. About 3 more nights.", estimate.Yes},
		"no forecast of pressure, outlook ends in the night": {func(n *numbers) { n.noPressure, n.outlookH = true, 13.9 },
			"Fuel enough. Pressure may be thin.", estimate.Unsure},
		"no forecast of pressure, outlook ends after it": {func(n *numbers) { n.noPressure, n.outlookH = true, 14.1 },
			"Likely enough. About 3 more nights.", estimate.Yes},
		"first night":                    {func(n *numbers) { n.rows = 0 }, "Learning. At least until 08:00.", estimate.Unsure},
		"second night":                   {func(n *numbers) { n.rows = 2 }, "Learning. At least until 08:00.", estimate.Unsure},
		"third row":                      {func(n *numbers) { n.rows = 3 }, "Likely enough. About 3 more nights.", estimate.Yes},
		"first day":                      {func(n *numbers) { n.rows, n.day, n.beforeH, n.leftH = 0, true, 6, 16 }, "Learning. At least 12 hours.", estimate.Unsure},
		"first day, hardly any":          {func(n *numbers) { n.rows, n.day, n.fullInputH = 0, true, 1.9 }, "Learning. At least 1 hour.", estimate.Unsure},
		"first night, just full heat":    {func(n *numbers) { n.rows, n.fullInputH = 0, 14 }, "Likely enough, even at full heat.", estimate.Yes},
		"first night, not quite":         {func(n *numbers) { n.rows, n.fullInputH = 0, 13.99 }, "Learning. At least until 09:59.", estimate.Unsure},
		"first night, no heater":         {func(n *numbers) { n.rows, n.fullInputH = 0, 0 }, "Learning. No bound yet.", estimate.Unsure},
		"first night, no clock":          {func(n *numbers) { n.rows, n.noClock = 0, true }, "Learning. Clock not trusted.", estimate.Unsure},
		"first night, thin":              {func(n *numbers) { n.rows, n.warmOdds = 0, 0.89 }, "Learning. Pressure may be thin.", estimate.Unsure},
		"first night, not thin":          {func(n *numbers) { n.rows, n.warmOdds = 0, 0.9 }, "Learning. At least until 08:00.", estimate.Unsure},
		"first night, too thin":          {func(n *numbers) { n.rows, n.warmOdds = 0, 0.49 }, "Learning. Pressure too thin.", estimate.Unsure},
		"first night, thin by half":      {func(n *numbers) { n.rows, n.warmOdds = 0, 0.5 }, "Learning. Pressure may be thin.", estimate.Unsure},
		"first night, full but thin":     {func(n *numbers) { n.rows, n.fullInputH, n.warmOdds = 0, 20, 0.5 }, "Fuel enough. Pressure may be thin.", estimate.Unsure},
		"first night, full and no gas":   {func(n *numbers) { n.rows, n.fullInputH, n.warmOdds = 0, 20, 0.49 }, "Fuel enough. Pressure too thin.", estimate.Unsure},
		"first night, full, thin enough": {func(n *numbers) { n.rows, n.fullInputH, n.warmOdds = 0, 20, 0.9 }, "Likely enough, even at full heat.", estimate.Yes},
	} {
		n := evening()
		c.change(&n)
		got, full := n.verdict()
		seen[got.Rank] = true
		if got.Words != c.want || got.Enough != c.enough {
			t.Errorf("%s: %q, enough %v; want %q, %v", name, got.Words, got.Enough, c.want, c.enough)
		}
		if words := len(strings.Fields(got.Words)); words > 6 || words < 3 {
			t.Errorf("%s: %q has %d words, six are allowed", name, got.Words, words)
		}
		if full.Odds == "" || len(full.Facts) == 0 || len(full.Facts) > 4 {
			t.Errorf("%s: odds %q with facts %q, want odds and one to four facts", name, full.Odds, full.Facts)
		}
	}
	for r := range ranksN {
		if !seen[r] {
			t.Errorf("no numbers of this table give sentence %d", r)
		}
	}
}

func TestTheFactsSayWhenPressureGetsThin(t *testing.T) {
	n := evening()
	n.warmOdds = 0.4
	_, got := n.verdict()
	if want := "pressure may be thin after 01:00"; got.Facts[0] != want { // ThinAfterH is unknown here, one draw in ten is short after 5 h
		t.Errorf("first fact %q, want %q", got.Facts[0], want)
	}
	if want := "fuel 99 in 100, pressure 4 in 10"; got.Odds != want {
		t.Errorf("odds %q, want %q", got.Odds, want)
	}
	if want := "5.0–5.6 kg in the cylinder"; got.Facts[1] != want {
		t.Errorf("second fact %q, want %q", got.Facts[1], want)
	}
	l := NewLedger(Params{})
	at := time.Date(2026, 11, 25, 20, 0, 0, 0, time.UTC)
	for h, want := range map[float64]string{0: "pressure thin now", 0.2: "pressure thin now", 8.17: "pressure thin after 04:10"} {
		thin := &Tonight{ThinAfterH: known(h, h, h), EndsWall: at.Add(14 * time.Hour)}
		if got := l.thinFact(thin, &tried{}, at); got != want {
			t.Errorf("thin in %g h: %q, want %q", h, got, want)
		}
	}
}

// tell says a number of more nights every minute and returns what stands.
func tell(s *spoken, up *time.Duration, ends time.Time, more float64) string {
	*up += time.Minute
	n := evening()
	n.more = more
	if more < 0 {
		n.fuelOdds = 0.7
	}
	now, _ := n.verdict()
	words, _ := s.say(now, *up, ends, false)
	return words
}

func TestTheWordingWorsensAtOnceAndImprovesAfterTenMinutes(t *testing.T) {
	const doubt, three, two, one = "Doubtful for the whole night.", "Likely enough. About 3 more nights.", "Likely enough. About 2 more nights.", "Likely enough. About 1 more night."
	ends := time.Date(2026, 11, 26, 10, 0, 0, 0, time.UTC)
	var s spoken
	var up time.Duration
	want := func(more float64, words, when string) {
		t.Helper()
		if got := tell(&s, &up, ends, more); got != words {
			t.Fatalf("%s: %q, want %q", when, got, words)
		}
	}
	want(3.2, three, "at first")
	want(-1, doubt, "at once")
	for range 10 {
		want(3.2, doubt, "better for less than ten minutes")
	}
	want(3.2, three, "better for ten minutes")
	want(2.1, two, "a night less, at once")
	for i := range 10 {
		more := 3.2
		if i == 4 {
			more = 2.3 // no better than what stands
		}
		want(more, two, "not better all the time")
	}
	for range 5 {
		want(3.2, two, "counted anew since then")
	}
	want(3.2, three, "ten minutes after the last doubt")
	want(1.1, one, "at once")
	for i := range 10 {
		want(3.2-float64(i%2), one, "better, but not by how much")
	}
	want(3.2, two, "to the least good of the ten minutes")

	want(-1, doubt, "at once")
	ends = ends.AddDate(0, 0, 1)
	want(3.2, three, "the next night is another one")
	want(-1, doubt, "at once")
	for range 6 {
		want(3.2, doubt, "six minutes")
	}
	up += 5 * time.Minute // nobody looked
	for range 10 {
		want(3.2, doubt, "after a gap the minutes are counted anew")
	}
	want(3.2, three, "ten minutes after the gap")
}

func TestPressureThatCannotBeSaidIsNotEnough(t *testing.T) {
	ends := time.Date(2026, 11, 26, 10, 0, 0, 0, time.UTC)
	var s spoken
	var up time.Duration
	say := func(warmOdds float64, blind bool) string {
		up += time.Minute
		n := evening()
		n.warmOdds, n.noPressure = warmOdds, blind
		now, _ := n.verdict()
		words, _ := s.say(now, up, ends, blind)
		return words
	}
	say(0.3, false)
	for range 60 {
		if got := say(0, true); got != "Fuel enough. Pressure too thin." {
			t.Fatalf("with the pressure unknown: %q", got)
		}
	}
	for i := range 11 {
		if got := say(0.99, false); (i == 10) != strings.HasPrefix(got, "Likely enough.") {
			t.Fatalf("known to be enough for %d minutes: %q", i, got)
		}
	}
}

func TestFuelNobodySawIsNotContinuouslyBetter(t *testing.T) {
	ends := time.Date(2026, 11, 26, 10, 0, 0, 0, time.UTC)
	var s spoken
	var up time.Duration
	tell(&s, &up, ends, -1)
	for range 8 {
		tell(&s, &up, ends, 3)
	}
	s.interrupt()
	for range 8 {
		if got := tell(&s, &up, ends, 3); !strings.HasPrefix(got, "Doubtful") {
			t.Fatalf("%q although the scale was blind within the ten minutes", got)
		}
	}
}

func TestAnotherCylinderOrWordOfTheOwnerIsNewsAtOnce(t *testing.T) {
	for name, change := range map[string]func(*van, *estimate.Estimates){
		"a tare":         func(_ *van, e *estimate.Estimates) { e.TareEntered = true },
		"a name":         func(_ *van, e *estimate.Estimates) { e.CylinderName = "blue" },
		"a stamped fill": func(_ *van, e *estimate.Estimates) { e.CapacityKg = known(11, 11, 11) },
		"a cylinder put down": func(_ *van, e *estimate.Estimates) {
			e.Happened = []estimate.Happening{{Kind: estimate.CylinderPlaced}}
		},
		"an expected low":         func(v *van, _ *estimate.Estimates) { v.l.Expect(-5, sensors.Stamp{Up: v.up, Wall: v.wall}) },
		"a scale that cannot say": func(_ *van, e *estimate.Estimates) { e.Cylinder = estimate.PresenceUnknown },
		"nothing":                 func(*van, *estimate.Estimates) {},
	} {
		v := newVan(Params{HeaterKgPerH: 0.15}, "2026-11-20T12:00:00Z")
		v.fuelKg = 20
		v.sixNights(0)
		say := func(e *estimate.Estimates) string {
			v.up, v.wall = v.up+time.Minute, v.wall.Add(time.Minute)
			return v.l.Tonight(sensors.Stamp{Up: v.up, Wall: v.wall}, e).Verdict
		}
		v.fuelKg = 1
		if got := say(v.estimates()); got != "Not enough for tonight." {
			t.Fatalf("%s: with 1 kg %q", name, got)
		}
		v.fuelKg = 8
		e := v.estimates()
		change(v, e)
		want := "Likely enough. About 4 more nights."
		if name == "nothing" || name == "a scale that cannot say" {
			want = "Not enough for tonight."
		}
		if got := say(e); got != want {
			t.Errorf("%s: with 8 kg %q, want %q", name, got, want)
		}
	}
}

func TestARestartContinuesTheForecastWhereItWas(t *testing.T) {
	v := newVan(Params{HeaterKgPerH: 0.15, Seed: 7}, "2026-11-20T12:00:00Z")
	v.fuelKg = 20
	v.sixNights(0.01)
	at := func(l *Ledger, fuelKg float64) Tonight {
		v.fuelKg = fuelKg
		e := v.estimates()
		coldLocker(e, 0.6)
		return l.Tonight(sensors.Stamp{Up: v.up, Wall: v.wall}, e)
	}
	step := func() { v.up, v.wall = v.up+time.Minute, v.wall.Add(time.Minute) }
	first := at(v.l, 1).Verdict
	for range 5 {
		step()
		at(v.l, 8)
	}
	other := NewLedger(v.l.p)
	other.Restore(throughJSON(t, v.l.Save()))
	improved := false
	for range 20 {
		step()
		was, is := at(v.l, 8), at(other, 8)
		if !reflect.DeepEqual(was, is) {
			t.Fatalf("at %v through the checkpoint\n%+v\nwithout\n%+v", v.up, is, was)
		}
		improved = improved || was.Verdict != first
	}
	if !improved {
		t.Error("the verdict did not improve, so nothing of what was held was tested")
	}
}

func TestAHeldSentenceThatMakesNoSenseIsForgotten(t *testing.T) {
	for _, s := range []*spoken{nil, {sentence: sentence{Rank: 99, Words: "x"}}, {sentence: sentence{Rank: doubtful}},
		{sentence: sentence{Rank: doubtful, Words: strings.Repeat("x", 99)}},
		{sentence: sentence{Rank: doubtful, Words: "x"}, Better: &sentence{Rank: -1, Words: "y"}}} {
		if got := restoreSpoken(s); got.Words != "" {
			t.Errorf("%+v was taken", s)
		}
	}
}
