package history

import (
	"bufio"
	"context"
	"database/sql"
	"errors"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"syscall"
	"testing"
	"time"

	"frostline/daemon/core"
	"frostline/daemon/estimate"
	"frostline/sensors"
)

// copyStore copies the files of an open store, as a power cut would leave them.
func copyStore(t *testing.T, s *Store, dir string) string {
	t.Helper()
	to := t.TempDir()
	for _, name := range []string{"history.db", "history.db-wal"} {
		b, err := os.ReadFile(filepath.Join(dir, name))
		if err != nil && !errors.Is(err, os.ErrNotExist) {
			t.Fatal(err)
		}
		if err == nil {
			if err := os.WriteFile(filepath.Join(to, name), b, 0o600); err != nil {
				t.Fatal(err)
			}
		}
	}
	return to
}

func TestAFileOfTheFirstSchemaIsBroughtUpToDate(t *testing.T) {
	dir := t.TempDir()
	db, err := sql.Open("sqlite", "file:"+filepath.Join(dir, "history.db"))
	if err != nil {
		t.Fatal(err)
	}
	// What schema 1 looked like, with an alarm waiting; never changed again.
	for _, q := range []string{
		`CREATE TABLE state (id INTEGER PRIMARY KEY, gen INTEGER NOT NULL, body BLOB NOT NULL)`,
		`CREATE TABLE spans (span INTEGER PRIMARY KEY, boot TEXT NOT NULL, offset_ms INTEGER NOT NULL, trusted INTEGER NOT NULL)`,
		`CREATE TABLE minutes (id INTEGER PRIMARY KEY, ticks INTEGER NOT NULL, short TEXT, cabin_c INTEGER, cabin_c_below INTEGER, cabin_c_above INTEGER)`,
		`CREATE TABLE quarters (id INTEGER PRIMARY KEY, ticks INTEGER NOT NULL, short TEXT)`,
		`CREATE TABLE hours (id INTEGER PRIMARY KEY, ticks INTEGER NOT NULL, short TEXT)`,
		`CREATE TABLE events (id INTEGER PRIMARY KEY, span INTEGER NOT NULL, up_ms INTEGER NOT NULL, trusted INTEGER NOT NULL, kind TEXT NOT NULL, body TEXT NOT NULL)`,
		`CREATE TABLE nights (id INTEGER PRIMARY KEY, date TEXT NOT NULL, version INTEGER NOT NULL)`,
		`CREATE INDEX nights_by_date ON nights (date, version, id)`,
		`CREATE TABLE outbox (path TEXT NOT NULL, id INTEGER NOT NULL, severity INTEGER NOT NULL, PRIMARY KEY (path, id)) WITHOUT ROWID`,
		fmt.Sprintf(`INSERT INTO spans VALUES (1, 'old', %d, 1)`, dusk().UnixMilli()),
		`INSERT INTO minutes VALUES (100000002, 60, NULL, 1725, 10, 20)`,
		`INSERT INTO events VALUES (7, 1, 120000, 1, 'alarm', '{"up_s":120,"wall":"2026-11-24T16:02:00.000Z","seq":7,"kind":"alarm","id":"starved","from":"normal","to":"unacknowledged","priority":"high","why":"no gas burns"}')`,
		`INSERT INTO outbox VALUES ('mqtt', 7, 3)`,
		`INSERT INTO state VALUES (1, 0, '{"boot":"old","tick":120,"up_ns":120000000000,"totals":{"burned_kg":2.5},"clean":true,"minutes":1}')`,
		`PRAGMA user_version = 1`,
	} {
		if _, err := db.Exec(q); err != nil {
			t.Fatal(err)
		}
	}
	if err := db.Close(); err != nil {
		t.Fatal(err)
	}
	s := openIn(t, dir, Options{Paths: []string{"mqtt"}})
	r, _ := s.Resume()
	if r.Boot != "old" || r.Totals.BurnedKg != 2.5 || r.LastSeq != 7 {
		t.Errorf("resume = %+v, want boot old, 2.5 kg burned, event 7", r)
	}
	if rows, err := s.Next(deadline(t), "mqtt", 5); err != nil || len(rows) != 1 || rows[0].Seq != 7 {
		t.Errorf("outbox = %+v, %v, want the alarm that waited", rows, err)
	}
	got, err := s.Series(deadline(t), "cabin_c", dusk(), dusk().Add(time.Hour), 0)
	if err != nil || len(got) != 1 || !near(got[0], core.Bucket{FromWall: dusk().Add(2 * time.Minute), Length: time.Minute, Min: 17.15, Mean: 17.25, Max: 17.45, N: 60}) {
		t.Errorf("cabin = %+v, %v, want the old minute", got, err)
	}
	v := newVan()
	commit(t, s, v, alarm("new", "low", "unacknowledged"))
	closeStore(t, s)

	s = openIn(t, dir, Options{})
	var version int
	if err := s.r.QueryRow("PRAGMA user_version").Scan(&version); err != nil || version != len(migrations()) {
		t.Errorf("schema %d, %v, want %d", version, err, len(migrations()))
	}
	if _, err := s.w.Exec("PRAGMA user_version = 99"); err != nil {
		t.Fatal(err)
	}
	closeStore(t, s)
	if s, err := Open(filepath.Join(dir, "history.db"), Options{Wiring: wiring()}); err == nil {
		closeStore(t, s)
		t.Error("a file of a newer program was opened")
	} else if !strings.Contains(err.Error(), "newer frostline (schema 99") {
		t.Errorf("error = %v, want one that names the newer schema", err)
	}
}

func TestAChannelWiredLaterGetsItsColumns(t *testing.T) {
	dir := t.TempDir()
	s, v := openIn(t, dir, Options{Wiring: wiring()[:3]}), newVan()
	for range 12 {
		s.Deliver(v.snapshot(time.Minute))
	}
	closeStore(t, s)
	s = openIn(t, dir, Options{Wiring: wiring()})
	defer closeStore(t, s)
	v.boot, v.up, v.offset = "boot-2", 0, dusk().Add(time.Hour)
	for range 12 {
		s.Deliver(v.snapshot(time.Minute))
	}
	for name, want := range map[string]int{"cabin_c": 23, "battery_v": 11} {
		if got, err := s.Series(deadline(t), name, dusk(), dusk().Add(2*time.Hour), 0); err != nil || len(got) != want {
			t.Errorf("%s: %d minutes, %v, want %d", name, len(got), err, want)
		}
	}
}

func TestOnlyOneProcessMayHaveTheFile(t *testing.T) {
	if dir := os.Getenv("FROSTLINE_TEST_SECOND"); dir != "" {
		s, err := Open(filepath.Join(dir, "history.db"), Options{Wiring: wiring()})
		if err == nil {
			_ = s.Close()
			t.Fatal("opened")
		}
		fmt.Println(err)
		return
	}
	dir := t.TempDir()
	s, v := openIn(t, dir, Options{}), newVan()
	defer closeStore(t, s)
	commit(t, s, v, happening(estimate.BurnerOn))
	cmd := exec.Command(os.Args[0], "-test.run=^TestOnlyOneProcessMayHaveTheFile$")
	cmd.Env = append(os.Environ(), "FROSTLINE_TEST_SECOND="+dir)
	out, err := cmd.CombinedOutput()
	if err != nil || !strings.Contains(string(out), "in use by another process") {
		t.Errorf("second process: %v, %s, want an error that says the file is in use", err, out)
	}
}

// TestKillNineLosesNothingThatWasAnswered starts itself as a child that commits and prints
// what it may call committed, kills it fifty times at odd moments and looks.
func TestKillNineLosesNothingThatWasAnswered(t *testing.T) {
	if dir := os.Getenv("FROSTLINE_TEST_KILL"); dir != "" {
		commitUntilKilled(dir)
		return
	}
	t.Parallel()
	dir := t.TempDir()
	acked := uint64(0)
	var burned float64
	for kill := range 50 {
		seq, kg := runAndKill(t, dir, kill)
		acked, burned = max(acked, seq), max(burned, kg)
		s, err := open(filepath.Join(dir, "history.db"), Options{Wiring: wiring(), Paths: []string{"mqtt"}})
		if err != nil {
			t.Fatalf("kill %d: %v", kill, err)
		}
		r, _ := s.Resume()
		if r.LastSeq < acked || r.Damage != "" || r.Clean {
			t.Fatalf("kill %d: resume has event %d, damage %q, clean %v; event %d was answered for", kill, r.LastSeq, r.Damage, r.Clean, acked)
		}
		if r.Totals.BurnedKg < burned {
			t.Fatalf("kill %d: %g kg burned, but %g was answered for", kill, r.Totals.BurnedKg, burned)
		}
		if want := fmt.Sprintf(`{"seq":%d,`, r.LastSeq); !strings.HasPrefix(string(r.Checkpoint), want) {
			t.Fatalf("kill %d: checkpoint %.30s does not belong to the newest event %d", kill, r.Checkpoint, r.LastSeq)
		}
		var ok string
		if err := s.w.QueryRow("PRAGMA integrity_check").Scan(&ok); err != nil || ok != "ok" {
			t.Fatalf("kill %d: integrity %q, %v", kill, ok, err)
		}
		var n, letters uint64
		if err := s.w.QueryRow("SELECT (SELECT count(*) FROM events), (SELECT count(*) FROM outbox)").Scan(&n, &letters); err != nil {
			t.Fatal(err)
		}
		if n != r.LastSeq || letters != n {
			t.Fatalf("kill %d: %d events and %d messages up to number %d, want one of each for every number", kill, n, letters, r.LastSeq)
		}
		if err := s.detach(); err != nil {
			t.Fatal(err)
		}
	}
	t.Logf("50 kills, %d events answered for, none lost", acked)
	if acked < 50 {
		t.Errorf("only %d commits in 50 lives: the test bites too little", acked)
	}
}

// runAndKill returns the newest event number the child answered for, and its total.
func runAndKill(t *testing.T, dir string, kill int) (seq uint64, kg float64) {
	t.Helper()
	cmd := exec.Command(os.Args[0], "-test.run=^TestKillNineLosesNothingThatWasAnswered$")
	cmd.Env = append(os.Environ(), "FROSTLINE_TEST_KILL="+dir)
	out, err := cmd.StdoutPipe()
	if err != nil {
		t.Fatal(err)
	}
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	lines, stopAfter := bufio.NewScanner(out), 2+kill%13
	for n := 0; lines.Scan(); n++ {
		if n == stopAfter { // the child runs on while this one arrives, so the moment is odd
			if err := cmd.Process.Kill(); err != nil {
				t.Fatal(err)
			}
		}
		if _, err := fmt.Sscanf(lines.Text(), "acked %d %g", &seq, &kg); err != nil {
			t.Fatalf("the child said %q", lines.Text())
		}
	}
	if err := cmd.Wait(); err == nil {
		t.Fatal("the child ended by itself")
	}
	return seq, kg
}

func commitUntilKilled(dir string) {
	die := func(err error) {
		if err != nil {
			fmt.Println(err)
			os.Exit(1)
		}
	}
	s, err := Open(filepath.Join(dir, "history.db"), Options{Wiring: wiring(), Paths: []string{"mqtt"}})
	die(err)
	r, err := s.Resume()
	die(err)
	v := newVan()
	v.boot, v.seq, v.totals, v.trusted = "boot-after-"+strconv.FormatUint(r.LastSeq, 10), r.LastSeq, r.Totals, false
	padding := strings.Repeat("0123456789abcdef", 300)
	for {
		for range 5 {
			s.Deliver(v.snapshot(time.Minute))
		}
		v.totals.BurnedKg += 0.001
		snap := v.snapshot(time.Second, alarm("starved", "critical", "unacknowledged"))
		snap.Checkpoint = fmt.Appendf(nil, `{"seq":%d,"pad":"%s"}`, v.seq, padding[:v.seq%uint64(len(padding))])
		s.Deliver(snap)
		die(s.Committed(context.Background(), v.tick))
		fmt.Printf("acked %d %g\n", v.seq, v.totals.BurnedKg)
	}
}

// smallDisk is a file system of 6 MiB. Only root can make one.
func smallDisk(t *testing.T) string {
	t.Helper()
	dir := t.TempDir()
	if err := syscall.Mount("tmpfs", dir, "tmpfs", 0, fmt.Sprintf("size=%d", 6<<20)); err != nil {
		if os.Getenv("FROSTLINE_NO_SKIP") != "" {
			t.Fatalf("no small disk can be mounted: %v", err)
		}
		t.Skipf("no small disk can be mounted: %v", err)
	}
	t.Cleanup(func() {
		if err := syscall.Unmount(dir, syscall.MNT_DETACH); err != nil {
			t.Errorf("unmount: %v", err)
		}
	})
	return dir
}

func TestAFullDiskCostsChartsAndNotEvents(t *testing.T) {
	t.Parallel()
	dir := smallDisk(t)
	s, v := openIn(t, dir, Options{Paths: []string{"mqtt"}}), newVan()
	fill(t, s, v, 2*24*time.Hour, time.Minute)
	// Somebody else fills the disk, as a log or a camera would.
	ballast := filepath.Join(dir, "ballast")
	fillDisk(t, ballast)
	until := v.up + 30*24*time.Hour
	for full := false; !full; full = health(s)[sensors.StoreAgeS] == sensors.Fault("full") {
		if v.up > until {
			t.Fatal("the disk never became full: the test does not bite")
		}
		for range 50 {
			s.Deliver(v.snapshot(time.Minute))
		}
		commit(t, s, v, alarm("battery-low", "medium", "unacknowledged"))
	}
	for i := range 200 { // the reserve holds events for a good while
		s.Deliver(v.snapshot(time.Minute))
		s.Deliver(v.snapshot(time.Minute, alarm("gas-floor-high", "critical", "unacknowledged")))
		if err := s.Committed(deadline(t), v.tick); err != nil {
			t.Fatalf("event %d since the disk is full: %v", i, err)
		}
		if h := health(s)[sensors.StoreAgeS]; h != sensors.Fault("full") {
			t.Fatalf("store_age_s = %+v on a full disk, want bad, full", h)
		}
	}
	if err := os.Remove(ballast); err != nil { // room again: the charts go on
		t.Fatal(err)
	}
	for range 25 {
		s.Deliver(v.snapshot(time.Minute))
	}
	commit(t, s, v, happening(estimate.BurnerOn))
	if h := health(s)[sensors.StoreAgeS]; h != sensors.Of(0) {
		t.Errorf("store_age_s = %+v once there is room, want 0", h)
	}
	end := v.offset.Add(v.up)
	closeStore(t, s)
	s = openIn(t, dir, Options{Paths: []string{"mqtt"}})
	defer closeStore(t, s)
	got, err := s.Series(deadline(t), "cabin_c", end.Add(-6*time.Hour), end, 0)
	if err != nil || len(got) < 359 {
		t.Errorf("%d minutes, %v, want all of the last six hours: they waited in memory", len(got), err)
	}
	evs, err := s.Events(deadline(t), 0, 10_000)
	if err != nil || uint64(len(evs)) != v.seq {
		t.Errorf("%d events after a restart, %v, want all %d", len(evs), err, v.seq)
	}
}

// fillDisk leaves nothing but what is already taken.
func fillDisk(t *testing.T, path string) {
	t.Helper()
	f, err := os.Create(path)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	for {
		if _, err := f.Write(make([]byte, 4096)); err != nil {
			if !errors.Is(err, syscall.ENOSPC) {
				t.Fatal(err)
			}
			return
		}
	}
}

func TestAFullDiskCanBeOpenedAndRead(t *testing.T) {
	t.Parallel()
	dir := smallDisk(t)
	s, v := openIn(t, dir, Options{}), newVan()
	commit(t, s, v, alarm("starved", "high", "unacknowledged"))
	closeStore(t, s)
	if err := os.Remove(filepath.Join(dir, "history.db.reserve")); err != nil {
		t.Fatal(err)
	}
	fillDisk(t, filepath.Join(dir, "ballast"))
	s = openIn(t, dir, Options{})
	if evs, err := s.Events(deadline(t), 0, 5); err != nil || len(evs) != 1 {
		t.Errorf("events = %v, %v, want the one from before", evs, err)
	}
	if r, _ := s.Resume(); r.Boot != "boot-1" {
		t.Errorf("resume = %+v, want boot-1", r)
	}
	s.Deliver(v.snapshot(time.Second, alarm("leave", "critical", "unacknowledged")))
	if err := s.Committed(deadline(t), v.tick); err == nil {
		t.Error("an alarm was called committed on a disk without a free byte")
	}
	if h := health(s)[sensors.StoreAgeS]; h != sensors.Fault("full") {
		t.Errorf("store_age_s = %+v, want bad, full", h)
	}
	if err := s.Close(); err == nil {
		t.Error("Close says nothing of the alarm it could not keep")
	}
}

func TestAtTheCeilingTheOldestMinutesMakeRoom(t *testing.T) {
	t.Parallel()
	const ceiling = 7 << 19 // 3.5 MiB
	dir := t.TempDir()
	s, v := openIn(t, dir, Options{MaxBytes: ceiling}), newVan()
	fill(t, s, v, 18*24*time.Hour, time.Minute)
	closeStore(t, s)
	s = openIn(t, dir, Options{MaxBytes: ceiling})
	defer closeStore(t, s)
	st, err := os.Stat(filepath.Join(dir, "history.db"))
	if err != nil || st.Size() > ceiling {
		t.Errorf("the file has %d bytes, %v, want at most %d", st.Size(), err, ceiling)
	}
	end := v.offset.Add(v.up)
	got, err := s.Series(deadline(t), "cabin_c", end.Add(-24*time.Hour), end, 0)
	if err != nil || len(got) < 1430 {
		t.Errorf("%d minutes of the last day, %v, want all", len(got), err)
	}
	got, err = s.Series(deadline(t), "cabin_c", v.offset, v.offset.Add(24*time.Hour), 0)
	if err != nil || len(got) < 90 || got[0].Length != 15*time.Minute {
		t.Errorf("the first day: %d points, %v, want its quarters when its minutes are gone", len(got), err)
	}
}
