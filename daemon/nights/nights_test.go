package nights

import (
	"encoding/json"
	"math"
	"reflect"
	"strings"
	"testing"
	"time"

	"frostline/daemon/estimate"
	"frostline/sensors"
)

func known(v, low, high float64) estimate.Quantity {
	return estimate.Quantity{Value: v, Low: low, High: high, Quality: sensors.Good}
}

// van lives ticks for a ledger: fuel burns at burnKgPerH whenever it is dark.
type van struct {
	l       *Ledger
	up      time.Duration
	wall    time.Time
	burned  float64
	fuelKg  float64
	burn    float64
	outside float64
	locker  float64
	trusted bool
	rows    []Night
}

func newVan(p Params, wall string) *van {
	at, err := time.Parse(time.RFC3339, wall)
	if err != nil {
		panic(err)
	}
	return &van{l: NewLedger(p), wall: at.UTC(), fuelKg: 6, burn: 0.1, outside: -5, locker: 0, trusted: true}
}

func (v *van) estimates() *estimate.Estimates {
	return &estimate.Estimates{
		FuelKg: known(v.fuelKg, v.fuelKg-0.1, v.fuelKg+0.1), BurnKgPerH: known(v.burn, v.burn, v.burn),
		HeaterKgPerH: known(v.burn, v.burn, v.burn), OtherKgPerH: known(0, 0, 0), BurnedKg: v.burned,
		OutsideC: known(v.outside, v.outside, v.outside), CabinC: known(18, 18, 18), LockerC: known(v.locker, v.locker, v.locker),
		PipeC: estimate.Unknown("not fitted"), Band: estimate.Background, ClockTrusted: v.trusted}
}

// live passes time in steps of half a minute.
func (v *van) live(d time.Duration) {
	const dt = 30 * time.Second
	for end := v.up + d; v.up < end; {
		v.tick(dt)
	}
}

func (v *van) tick(dt time.Duration) {
	v.up, v.wall = v.up+dt, v.wall.Add(dt)
	v.burned += v.burn * dt.Hours()
	v.fuelKg = max(0, v.fuelKg-v.burn*dt.Hours())
	if n := v.l.Step(sensors.Stamp{Up: v.up, Wall: v.wall}, v.estimates(), 0); n != nil {
		v.rows = append(v.rows, *n)
	}
}

// tonight is the forecast as if nothing had been said before.
func (v *van) tonight() Tonight {
	v.l.hasTonight, v.l.spoken = false, spoken{}
	return v.l.Tonight(sensors.Stamp{Up: v.up, Wall: v.wall}, v.estimates())
}

// throughJSON is what a checkpoint makes of a save.
func throughJSON(t testing.TB, s Saved) (read Saved) {
	t.Helper()
	b, err := json.Marshal(s)
	if err != nil {
		t.Fatal(err)
	}
	if err := json.Unmarshal(b, &read); err != nil {
		t.Fatal(err)
	}
	return read
}

func zone(t *testing.T, name string) *time.Location {
	t.Helper()
	z, err := time.LoadLocation(name)
	if err != nil {
		t.Fatal(err)
	}
	return z
}

func TestANightIsOneRowFromEveningToMorning(t *testing.T) {
	v := newVan(Params{DriftKgPerK: 0.002}, "2026-11-25T12:00:00Z")
	v.live(24 * time.Hour)
	if len(v.rows) != 1 {
		t.Fatalf("%d rows after a day and a night, want 1", len(v.rows))
	}
	n := v.rows[0]
	if n.Date != "2026-11-25" || n.FromWall != "2026-11-25T18:00:00Z" || n.ToWall != "2026-11-26T10:00:00Z" {
		t.Errorf("window %+v", n)
	}
	// 16 h at 100 g/h.
	if math.Abs(*n.BurnedKg-1.6) > 0.002 || *n.BurnedLowKg > 1.6 || *n.BurnedHighKg < 1.6 || *n.BurnedHighKg-*n.BurnedLowKg > 0.2 {
		t.Errorf("burned %g (%g–%g), want 1.6 with a narrow interval", *n.BurnedKg, *n.BurnedLowKg, *n.BurnedHighKg)
	}
	if math.Abs(*n.DegreeHours-16*23) > 1 || *n.OutsideLowC != -5 || math.Abs(*n.HeaterH-16) > 0.02 || n.PipeLowC != nil || n.GapH > 0.05 {
		t.Errorf("row %+v", n)
	}
}

func TestAGapWidensTheNightAndIsSaid(t *testing.T) {
	v := newVan(Params{}, "2026-11-25T17:00:00Z")
	v.live(4 * time.Hour)
	s := throughJSON(t, v.l.Save())
	v.l = NewLedger(Params{}) // the power was away for five hours
	v.l.Restore(s)
	v.up, v.wall = 0, v.wall.Add(5*time.Hour)
	v.live(12 * time.Hour)
	if len(v.rows) != 1 {
		t.Fatalf("rows %+v", v.rows)
	}
	n := v.rows[0]
	if math.Abs(n.GapH-5) > 0.1 || math.Abs(n.WatchedH-11) > 0.1 {
		t.Errorf("gap %g h, watched %g h, want 5 and 11", n.GapH, n.WatchedH)
	}
	if *n.BurnedHighKg < *n.BurnedKg+0.15*5 {
		t.Errorf("the interval %g–%g leaves no room for what burned unseen", *n.BurnedLowKg, *n.BurnedHighKg)
	}
}

func TestANightHardlyWatchedIsNoRow(t *testing.T) {
	v := newVan(Params{}, "2026-11-25T09:30:00Z")
	v.live(2 * time.Hour)
	if len(v.rows) != 0 {
		t.Errorf("half an hour made a row: %+v", v.rows)
	}
}

func TestTheFirstDayHasAnAnswer(t *testing.T) {
	p := Params{HeaterKgPerH: 0.15}
	v := newVan(p, "2026-11-25T20:00:00Z")
	v.fuelKg = 1.2
	v.tick(30 * time.Second)
	got := v.tonight()
	// (1.2 - 0.1 - 0.05) kg at 0.15 kg/h and a plate a tenth low: 6 h 21.8 min from 20:00:30.
	if got.Verdict != "Learning. At least until 02:22." || got.Enough != estimate.Unsure || got.NightsLeft.Known() {
		t.Errorf("got %q, enough %v, nights left %+v", got.Verdict, got.Enough, got.NightsLeft)
	}
	if !strings.Contains(got.Odds, "learning: night 1 of 5") {
		t.Errorf("odds %q", got.Odds)
	}
	v.fuelKg = 8
	if got := v.tonight(); got.Verdict != "Likely enough, even at full heat." || got.Enough != estimate.Yes {
		t.Errorf("with 8 kg: %q", got.Verdict)
	}
	v.l.p.HeaterKgPerH = 0
	if got := v.tonight(); got.FullInputLeftH.Known() || got.FullInputLeftH.Why == "" {
		t.Errorf("no heater, no bound: %+v", got.FullInputLeftH)
	}
}

func TestTheVerdictFollowsTheOdds(t *testing.T) {
	v := newVan(Params{HeaterKgPerH: 0.15}, "2026-11-20T12:00:00Z")
	v.fuelKg = 20
	v.sixNights(0)
	if len(v.rows) != 6 {
		t.Fatalf("%d nights", len(v.rows))
	}
	for kg, want := range map[float64]string{
		8: "Likely enough. About 4 more nights.", 4.9: "Likely enough. About 2 more nights.", 3.4: "Likely enough. About 1 more night.",
		2.2: "Likely enough for tonight only.", 1.75: "Doubtful for the whole night.", 1: "Not enough for tonight.",
	} {
		v.fuelKg = kg
		got := v.tonight()
		if got.Verdict != want {
			t.Errorf("%g kg against 1.6 kg a night: %q at %s, want %q", kg, got.Verdict, got.Odds, want)
		}
		if n := len(strings.Fields(got.Verdict)); n > 6 {
			t.Errorf("%q has %d words, six are allowed", got.Verdict, n)
		}
		q := got.NightsLeft
		if !(q.Low <= q.Value && q.Value <= q.High) || math.Abs(q.Value-(kg-0.05)/1.6) > 0.02*q.Value {
			t.Errorf("%g kg: nights left %+v", kg, q)
		}
	}
}

// sixNights lives from noon to noon six times: 1.6 kg a night, and dayKgPerH in between.
func (v *van) sixNights(dayKgPerH float64) {
	night := v.burn
	for range 6 {
		v.burn = dayKgPerH
		v.live(6 * time.Hour)
		v.burn = night
		v.live(16 * time.Hour)
		v.burn = dayKgPerH
		v.live(2 * time.Hour)
	}
	v.burn = night
}

func TestWhatBurnsByDayIsCounted(t *testing.T) {
	v := newVan(Params{HeaterKgPerH: 0.15}, "2026-11-20T12:00:00Z")
	v.fuelKg = 20
	v.sixNights(0.1) // 0.8 kg between two nights
	v.fuelKg = 2.2   // 0.6 kg until the evening, then 1.6 kg
	if got := v.tonight(); got.Enough == estimate.Yes {
		t.Errorf("at noon, with a day's burn ahead: %q at %s", got.Verdict, got.Odds)
	}
	v.fuelKg = 8
	if q := v.tonight().NightsLeft; math.Abs(q.Value-(8-0.05-0.6+0.8)/2.4) > 0.1 {
		t.Errorf("nights left %+v, want about 3.4", q)
	}
}

func TestFuelThatIsOnlyHeldPromisesNothing(t *testing.T) {
	v := newVan(Params{HeaterKgPerH: 0.15}, "2026-11-20T12:00:00Z")
	v.fuelKg = 20
	v.sixNights(0)
	e := v.estimates()
	e.FuelKg = known(8, 0, 8)
	e.FuelKg.Quality, e.FuelKg.Why = sensors.Suspect, "the scale is not watching: the last weight is held"
	v.l.hasTonight = false
	got := v.l.Tonight(sensors.Stamp{Up: v.up, Wall: v.wall}, e)
	if got.Enough == estimate.Yes || strings.Contains(got.Verdict, "Likely") {
		t.Errorf("between nothing and 8 kg: %q at %s", got.Verdict, got.Odds)
	}
}

func TestAColderForecastCostsMore(t *testing.T) {
	v := newVan(Params{HeaterKgPerH: 0.15}, "2026-11-20T12:00:00Z")
	v.fuelKg = 20
	v.sixNights(0) // at -5 °C
	v.fuelKg = 2.2
	st := sensors.Stamp{Up: v.up, Wall: v.wall}
	v.l.Expect(-5, st)
	mild := v.tonight()
	v.l.Expect(-20, st) // 38 K instead of 23 K to hold against; the heater's full input is 2.4 kg a night
	cold := v.tonight()
	if mild.Enough != estimate.Yes || cold.Enough == estimate.Yes {
		t.Errorf("as always %q at %s; far colder %q at %s", mild.Verdict, mild.Odds, cold.Verdict, cold.Odds)
	}
	if f := cold.Facts[len(cold.Facts)-1]; !strings.Contains(f, "colder than the nights this rests on") {
		t.Errorf("facts %q", cold.Facts)
	}
}

func TestByDayTheBoundCountsFromNow(t *testing.T) {
	v := newVan(Params{HeaterKgPerH: 0.171}, "2026-11-25T10:30:00Z")
	v.fuelKg, v.burn = 3.25, 0 // least 3.15 kg: 16.5 h, and the night ends in 23.5 h
	v.tick(time.Second)
	if got := v.tonight(); got.Enough == estimate.Yes || !strings.HasPrefix(got.Verdict, "Learning. At least 16 hours.") {
		t.Errorf("got %q, enough %v", got.Verdict, got.Enough)
	}
}

func TestALedgerSpoiltByABadCardStopsNothing(t *testing.T) {
	v := newVan(Params{}, "2026-11-25T17:00:00Z")
	v.live(4 * time.Hour)
	s := v.l.Save()
	s.Open.Band = 9
	v.l = NewLedger(Params{})
	v.l.Restore(s)
	v.live(20 * time.Hour) // past the morning
}

func TestANightWithoutAScaleIsStillARow(t *testing.T) {
	v := newVan(Params{}, "2026-11-25T17:00:00Z")
	for range 2 * 60 * 18 {
		v.up, v.wall = v.up+30*time.Second, v.wall.Add(30*time.Second)
		e := v.estimates()
		e.FuelKg, e.BurnKgPerH = estimate.Unknown("scale dead"), estimate.Unknown("scale dead")
		if n := v.l.Step(sensors.Stamp{Up: v.up, Wall: v.wall}, e, 0); n != nil {
			v.rows = append(v.rows, *n)
		}
	}
	if len(v.rows) != 1 || v.rows[0].BurnedKg != nil || v.rows[0].OutsideLowC == nil {
		t.Errorf("rows %+v, want one with its lows and without fuel", v.rows)
	}
}

func TestTheOwnersForecastHoldsUntilTheMorning(t *testing.T) {
	v := newVan(Params{}, "2026-11-25T15:00:00Z")
	v.tick(time.Second)
	if got := v.tonight().ExpectedLowC; got.Known() {
		t.Errorf("nobody said anything yet: %+v", got)
	}
	v.l.Expect(-12, sensors.Stamp{Up: v.up, Wall: v.wall})
	if got := v.tonight().ExpectedLowC; got.Value != -12 || got.Low >= -12 || got.High <= -12 {
		t.Errorf("got %+v", got)
	}
	v.live(20 * time.Hour) // past ten in the morning
	if got := v.tonight().ExpectedLowC; got.Value != -5 || got.Quality != sensors.Suspect || got.Why == "" {
		t.Errorf("the next day takes the last night's low, with its doubt: %+v", got)
	}
}

func TestUnknownFuelIsSaidAndNotGuessed(t *testing.T) {
	l := NewLedger(Params{HeaterKgPerH: 0.15})
	got := l.Tonight(sensors.Stamp{Wall: time.Date(2026, 11, 25, 20, 0, 0, 0, time.UTC)},
		&estimate.Estimates{FuelKg: estimate.Unknown("no cylinder on the scale"), ClockTrusted: true})
	if got.Verdict != "Fuel unknown." || got.NightsLeft.Known() || !reflect.DeepEqual(got.Facts, []string{"no cylinder on the scale"}) {
		t.Errorf("got %+v", got)
	}
}

func TestABoardThatComesBackInThePastGoesOnWithItsNight(t *testing.T) {
	v := newVan(Params{}, "2026-11-25T17:00:00Z")
	v.live(4 * time.Hour)
	s := v.l.Save()
	v.l = NewLedger(Params{})
	v.l.Restore(s)
	right := v.wall.Add(time.Hour) // the power was away for an hour
	v.up, v.wall, v.trusted = 0, time.Date(2024, 3, 1, 0, 0, 0, 0, time.UTC), false
	v.live(time.Hour)
	v.wall, v.trusted = right.Add(time.Hour), true // a network has set it
	v.live(14 * time.Hour)
	if len(v.rows) != 1 || v.rows[0].Date != "2026-11-25" || !v.rows[0].ClockUntrusted {
		t.Fatalf("rows %+v, want the one night, marked", v.rows)
	}
	if n := v.rows[0]; math.Abs(n.WatchedH-15) > 0.1 || math.Abs(n.GapH-1) > 0.1 {
		t.Errorf("watched %g h with a gap of %g h, want 15 and 1", n.WatchedH, n.GapH)
	}
}
