package history

import (
	"database/sql"
	"fmt"
	"path/filepath"
	"reflect"
	"strings"
	"testing"
	"time"

	"frostline/daemon/core"
	"frostline/daemon/estimate"
	"frostline/daemon/nights"
)

func dates(rows []nights.Night) (out []string) {
	for _, n := range rows {
		mark := ""
		if n.ClockUntrusted {
			mark = "*"
		}
		out = append(out, fmt.Sprintf("%s%s v%d", n.Date, mark, n.Version))
	}
	return out
}

func TestEveryVersionOfANightCanBeListed(t *testing.T) {
	s, v := openIn(t, t.TempDir(), Options{}), newVan()
	defer closeStore(t, s)
	commit(t, s, v, night("2026-11-21", 1, 0.4), night("2026-11-22", 1, 0.7), night("2026-11-23", 2, 0.9))
	commit(t, s, v, night("2026-11-22", 2, 0.75), night("2026-11-22", 1, 0.71))
	got, err := s.NightVersions(deadline(t), 2)
	if want := []string{"2026-11-22 v2", "2026-11-22 v1", "2026-11-22 v1", "2026-11-23 v2"}; err != nil || !reflect.DeepEqual(dates(got), want) {
		t.Errorf("versions of two nights = %v, %v, want %v", dates(got), err, want)
	}
	if *got[1].BurnedKg != 0.71 || *got[2].BurnedKg != 0.7 {
		t.Errorf("of two rows of one version the last recorded comes first: %g, %g", *got[1].BurnedKg, *got[2].BurnedKg)
	}
}

func TestANightComesWithItsNeighbours(t *testing.T) {
	s, v := openIn(t, t.TempDir(), Options{}), newVan()
	defer closeStore(t, s)
	commit(t, s, v, night("2026-11-20", 2, 0.3), night("2026-11-21", 1, 0.4), night("2026-11-23", 2, 0.9), night("2026-11-21", 2, 0.5), night("2026-11-24", 2, 1))
	for date, want := range map[string][]string{
		"2026-11-21": {"2026-11-20 v2", "2026-11-21 v2", "2026-11-23 v2"},
		"2026-11-20": {"2026-11-20 v2", "2026-11-21 v2"},
		"2026-11-24": {"2026-11-23 v2", "2026-11-24 v2"},
		"2027-01-01": {"2026-11-23 v2", "2026-11-24 v2"},
		"2020-01-01": {"2026-11-20 v2"},
	} {
		if got, err := s.NightsNear(deadline(t), date); err != nil || !reflect.DeepEqual(dates(got), want) {
			t.Errorf("around %s: %v, %v, want %v", date, dates(got), err, want)
		}
	}
}

func TestTheEventsOfANightAreFoundAmongMany(t *testing.T) {
	s, v := openIn(t, t.TempDir(), Options{}), newVan()
	defer closeStore(t, s)
	for day := range 6 { // each ends with its night
		for range 5 {
			v.up += 4 * time.Hour
			commit(t, s, v, happening(estimate.BurnerOn))
		}
		v.up += 4*time.Hour - 6*time.Second // commits take a second each
		commit(t, s, v, night(dusk().AddDate(0, 0, day).Format(time.DateOnly), 2, 1))
	}
	from := dusk().AddDate(0, 0, 2).Add(time.Hour)
	got, err := s.EventsIn(deadline(t), from, from.Add(12*time.Hour))
	if err != nil || len(got) != 3 {
		t.Fatalf("%d events of half a day, %v, want three", len(got), err)
	}
	for i, e := range got {
		if e.Stamp.Wall.Before(from) || !e.Stamp.Wall.Before(from.Add(12*time.Hour)) || i > 0 && e.Seq <= got[i-1].Seq {
			t.Errorf("event %d at %v is out of the stretch or of order", e.Seq, e.Stamp.Wall)
		}
	}
	if late, err := s.EventsIn(deadline(t), dusk().AddDate(0, 0, 5).Add(time.Hour), dusk().AddDate(0, 0, 9)); err != nil || len(late) != 6 {
		t.Errorf("%d events since the last evening, %v, want its five and its night", len(late), err)
	}
	// A boot that never learned the time does not hide what was before it.
	v.boot, v.up, v.offset, v.trusted = "boot-2", time.Hour, time.Date(1970, 1, 1, 0, 0, 0, 0, time.UTC), false
	commit(t, s, v, happening(estimate.BurnerOn))
	if late, err := s.EventsIn(deadline(t), dusk().AddDate(0, 0, 5).Add(time.Hour), dusk().AddDate(0, 0, 9)); err != nil || len(late) != 6 {
		t.Errorf("%d events since the last evening, %v, after a boot in 1970", len(late), err)
	}
	if none, err := s.EventsIn(deadline(t), dusk().AddDate(1, 0, 0), dusk().AddDate(1, 0, 1)); err != nil || len(none) != 0 {
		t.Errorf("%d events of next year, %v", len(none), err)
	}
}

// undated is a night that a board without a clock took for the first of 1970.
func undated(kg float64) core.Event {
	e := night("1970-01-01", 2, kg)
	e.Night.FromWall, e.Night.ToWall, e.Night.ClockUntrusted = "1970-01-01T18:00:00Z", "1970-01-02T10:00:00Z", true
	return e
}

func TestNightsWithoutAClockDoNotHideEachOtherAndAreDatedWhenItCan(t *testing.T) {
	s, v := openIn(t, t.TempDir(), Options{}), newVan()
	defer closeStore(t, s)
	past := time.Date(1970, 1, 1, 0, 0, 0, 0, time.UTC)
	v.offset, v.trusted = past, false
	v.up = 34 * time.Hour
	commit(t, s, v, undated(0.5))
	v.boot, v.up = "boot-2", 34*time.Hour
	commit(t, s, v, undated(0.6))
	if got, err := s.Nights(deadline(t), 10); err != nil || !reflect.DeepEqual(dates(got), []string{"1970-01-01* v2", "1970-01-01* v2"}) {
		t.Fatalf("two nights of two boots = %v, %v", dates(got), err)
	}
	// In the second boot the time arrives: what it lived is 20 000 days and 3 h later than it thought.
	v.offset, v.trusted = past.Add(20000*24*time.Hour+3*time.Hour), true
	commit(t, s, v, core.Event{Night: night("2024-10-05", 2, 1).Night})
	got, err := s.Nights(deadline(t), 10)
	if want := []string{"1970-01-01* v2", "2024-10-04* v2", "2024-10-05 v2"}; err != nil || !reflect.DeepEqual(dates(got), want) {
		t.Fatalf("nights = %v, %v, want %v", dates(got), err, want)
	}
	if got[1].FromWall != "2024-10-04T21:00:00Z" || got[1].ToWall != "2024-10-05T13:00:00Z" || *got[1].BurnedKg != 0.6 {
		t.Errorf("dated again: %+v, want 21:00 to 13:00", got[1])
	}
}

// What the ledger's first model wrote, as it stands in files of the first schema.
const firstRow = `{"up_s":57600,"wall":"2026-11-24T10:00:00.000Z","seq":7,"kind":"night","date":"2026-11-23","from":"2026-11-23T18:00:00Z","to":"2026-11-24T10:00:00Z","version":1,"burned_kg":1.6,"burned_low_kg":1.55,"burned_high_kg":1.65,"outside_low_c":-5,"gas_band":"background","watched_h":16,"gap_h":0,"alarms":0}`

func TestALedgerOfAnOlderSchemaIsReadAndItsRowsStayBesideNewOnes(t *testing.T) {
	for schema := 1; schema < len(migrations()); schema++ {
		dir := t.TempDir()
		db, err := sql.Open("sqlite", fileURI(filepath.Join(dir, "history.db")))
		if err != nil {
			t.Fatal(err)
		}
		for _, step := range append(migrations()[:schema:schema],
			fmt.Sprintf("PRAGMA user_version = %d", schema),
			"INSERT INTO spans VALUES (1, 'old', 1763964000000, 1)",
			"INSERT INTO events VALUES (7, 1, 57600000, 1, 'night', '"+firstRow+"')",
			"INSERT INTO nights VALUES (7, '2026-11-23', 1)") {
			if _, err := db.Exec(step); err != nil {
				t.Fatalf("schema %d: %v", schema, err)
			}
		}
		if err := db.Close(); err != nil {
			t.Fatal(err)
		}
		s, v := openIn(t, dir, Options{}), newVan()
		v.seq = 7
		old, err := s.Nights(deadline(t), 10)
		if err != nil || len(old) != 1 || *old[0].BurnedKg != 1.6 || old[0].EnergyMJ != nil || old[0].ForecastKg != nil {
			t.Fatalf("schema %d: %+v, %v, want the old row with nothing made up", schema, old, err)
		}
		commit(t, s, v, night("2026-11-23", nights.ModelVersion, 1.58))
		newest, err1 := s.Nights(deadline(t), 10)
		all, err2 := s.NightVersions(deadline(t), 10)
		if err1 != nil || err2 != nil || len(newest) != 1 || *newest[0].BurnedKg != 1.58 || len(all) != 2 || *all[1].BurnedKg != 1.6 {
			t.Errorf("schema %d: newest %v, all %v, %v, %v", schema, dates(newest), dates(all), err1, err2)
		}
		var body string
		if err := s.r.QueryRow("SELECT body FROM events WHERE id = 7").Scan(&body); err != nil || body != firstRow {
			t.Errorf("schema %d: the old row was rewritten: %s, %v", schema, body, err)
		}
		closeStore(t, s)
	}
}

// fillLedger fills a year of full rows, every tenth computed twice, among other events.
func fillLedger(tb testing.TB, s *Store, v *van) {
	tb.Helper()
	for i := range 365 {
		date := time.Date(2026, 1, 1, 0, 0, 0, 0, time.UTC).AddDate(0, 0, i).Format(time.DateOnly)
		num := func(x float64) *float64 { return &x }
		n := nights.Night{Kind: "night", Date: date, FromWall: date + "T17:00:00Z", ToWall: date + "T09:00:00Z", Version: 2,
			BurnedKg: num(1.2345), BurnedLowKg: num(1.1), BurnedHighKg: num(1.3), HeaterKg: num(1), OtherKg: num(0.2), HeaterH: num(7),
			OutsideLowC: num(-5), OutsideMeanC: num(-1), CabinLowC: num(12), CabinMeanC: num(16), PipeLowC: num(3), DegreeHours: num(270),
			HighestBand: "background", WatchedH: 16, EnergyMJ: num(57), LeastSupplyRatio: num(2), LeastSeatMarginK: num(3),
			Appliances: []nights.ApplianceUse{{Name: "heater", Kg: 1}, {Name: "left burner", Kg: 0.2}}, Loads: []nights.LoadUse{{Name: "valve", EnergyWh: 190, ChargeAh: 16}},
			ForecastKg: num(1.2), ForecastLowKg: num(0.9), ForecastHighKg: num(1.5), ExpectedLowC: num(-4), ExpectedLowLeastC: num(-8), ExpectedLowMostC: num(0)}
		evs := []core.Event{{Night: &n}}
		if i%10 == 0 {
			old := n
			old.Version = 1
			evs = append(evs, core.Event{Night: &old})
		}
		commit(tb, s, v, evs...)
	}
}

func BenchmarkASeasonOfTheLedger(b *testing.B) {
	s, v := openIn(b, b.TempDir(), Options{}), newVan()
	defer closeStore(b, s)
	fillLedger(b, s, v)
	for b.Loop() {
		if rows, err := s.Nights(b.Context(), 365); err != nil || len(rows) != 365 {
			b.Fatalf("%d rows, %v", len(rows), err)
		}
	}
	b.ReportMetric(float64(b.Elapsed().Microseconds())/float64(b.N)/1000, "ms/season")
}

func TestASeasonOfTheLedgerComesWholeAndInOrder(t *testing.T) {
	s, v := openIn(t, t.TempDir(), Options{}), newVan()
	defer closeStore(t, s)
	fillLedger(t, s, v)
	rows, err := s.Nights(deadline(t), 365)
	if err != nil || len(rows) != 365 || rows[0].Date != "2026-01-01" || rows[364].Date != "2026-12-31" || rows[0].Version != 2 {
		t.Fatalf("%d rows, %v", len(rows), err)
	}
	if all, err := s.NightVersions(deadline(t), 365); err != nil || len(all) != 365+37 {
		t.Errorf("%d rows with every version, %v, want 402", len(all), err)
	}
	if got := strings.Join(dates(rows[99:101]), ", "); got != "2026-04-10 v2, 2026-04-11 v2" {
		t.Errorf("in the middle: %s", got)
	}
}

// A salvage that a power cut ends has copied nights of an older file without their mark.
func TestNightsThatWereNeverMarkedAreMarkedAtTheNextStart(t *testing.T) {
	dir := t.TempDir()
	s, v := openIn(t, dir, Options{}), newVan()
	commit(t, s, v, undated(0.4), undated(0.6))
	if _, err := s.w.Exec("UPDATE nights SET undated = NULL"); err != nil {
		t.Fatal(err)
	}
	closeStore(t, s)
	s = openIn(t, dir, Options{})
	defer closeStore(t, s)
	if got, err := s.Nights(deadline(t), 10); err != nil || len(got) != 2 {
		t.Errorf("nights = %v, %v, want both: they share a label and neither has a date", dates(got), err)
	}
}
