package history

import (
	"database/sql"
	"path/filepath"
	"testing"
	"time"
)

// beforeDays makes a closed file what it was before there were days.
func beforeDays(t *testing.T, dir string) {
	t.Helper()
	db, err := sql.Open("sqlite", fileURI(filepath.Join(dir, "history.db")))
	if err != nil {
		t.Fatal(err)
	}
	for _, q := range []string{"DROP TABLE days", "ALTER TABLE nights DROP COLUMN undated", "PRAGMA user_version = 2"} {
		if _, err := db.Exec(q); err != nil {
			t.Fatalf("%s: %v", q, err)
		}
	}
	if err := db.Close(); err != nil {
		t.Fatal(err)
	}
}

// openFilled opens a file and has its writer make every day that is missing.
func openFilled(t *testing.T, dir string, o Options) *Store {
	t.Helper()
	s, err := open(filepath.Join(dir, "history.db"), o)
	if err != nil {
		t.Fatal(err)
	}
	for s.days > 0 {
		s.makeDays()
	}
	return s
}

// A command that knows no wiring may be the first to open a file after an upgrade, and a
// channel may lose its wire on that day.
func TestDaysHoldEveryChannelWhoeverOpensTheFileFirst(t *testing.T) {
	dir := t.TempDir()
	s, v := openIn(t, dir, Options{}), newVan()
	fill(t, s, v, 5*24*time.Hour, 5*time.Minute)
	closeStore(t, s)
	beforeDays(t, dir)
	s = openFilled(t, dir, Options{})
	go s.writeLoop()
	closeStore(t, s)
	s = openFilled(t, dir, Options{Wiring: wiring()[:2]})
	go s.writeLoop()
	closeStore(t, s)
	s = openIn(t, dir, Options{})
	defer closeStore(t, s)
	for _, column := range []string{"cabin_c", "battery_v_above", "heat_call", "fuel_kg"} {
		if n := number(t, s, "SELECT count("+column+") FROM days"); n != 5 {
			t.Errorf("%d days of %s, want 5", n, column)
		}
	}
}

// The last boot before an upgrade may have been too short for an hour; the boot before it is
// over nevertheless. What is there already is gone on from.
func TestDaysAreMadeBootByBootFromTheNewestThereIs(t *testing.T) {
	dir := t.TempDir()
	s, v := openIn(t, dir, Options{}), newVan()
	fill(t, s, v, 40*24*time.Hour+7*time.Hour, 10*time.Minute)
	v.boot, v.offset, v.up = "boot-2", v.offset.Add(v.up+time.Hour), 0
	fill(t, s, v, 30*time.Hour, time.Minute)
	v.boot, v.offset, v.up = "boot-3", v.offset.Add(v.up+time.Hour), 0
	fill(t, s, v, 20*time.Minute, time.Minute)
	killed := copyStore(t, s, dir)
	closeStore(t, s)
	beforeDays(t, killed)
	s, err := open(filepath.Join(killed, "history.db"), Options{Wiring: wiring()})
	if err != nil {
		t.Fatal(err)
	}
	if n := number(t, s, "SELECT count(*) FROM days"); n != 0 {
		t.Errorf("%d days were made before the file was open: a start waits for no more than it must", n)
	}
	s.makeDays()
	if n := number(t, s, "SELECT count(*) FROM days"); n != 30 {
		t.Errorf("%d days in one transaction, want a month", n)
	}
	if err := s.detach(); err != nil { // killed in the middle
		t.Fatal(err)
	}
	s = openFilled(t, killed, Options{Wiring: wiring()})
	for span, want := range map[int64]int64{1: 41, 2: 2, 3: 0} {
		if n := number(t, s, "SELECT count(cabin_c) FROM days WHERE id / ? = ?", spanStride, span); n != want {
			t.Errorf("%d days of boot %d, want %d", n, span, want)
		}
	}
	if days, hours := number(t, s, "SELECT sum(ticks) FROM days"), number(t, s, "SELECT sum(ticks) FROM hours"); days != hours {
		t.Errorf("days hold %d ticks, their hours %d", days, hours)
	}
	go s.writeLoop()
	closeStore(t, s)
}
