package history

import (
	"bytes"
	"context"
	"database/sql"
	"errors"
	"fmt"
	"log/slog"
	"math"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"frostline/alerts"
	"frostline/daemon/core"
	"frostline/daemon/estimate"
	"frostline/daemon/nights"
	"frostline/sensors"
)

var errRollback = errors.New("undo what the test did")

// dusk is when the made-up van of these tests starts its clock.
func dusk() time.Time { return time.Date(2026, 11, 24, 16, 0, 0, 0, time.UTC) }

func wiring() sensors.Wiring {
	return sensors.Wiring{
		{Channel: sensors.LoadCounts, Period: time.Second}, {Channel: sensors.GasV, Period: time.Second},
		{Channel: sensors.CabinC, Period: 10 * time.Second}, {Channel: sensors.OutsideC, Period: 10 * time.Second},
		{Channel: sensors.LockerC, Period: 10 * time.Second}, {Channel: sensors.WaterlineC, Period: 10 * time.Second},
		{Channel: sensors.BaroKPa, Period: 10 * time.Second}, {Channel: sensors.BatteryV, Period: 10 * time.Second},
		{Channel: sensors.HeatCall, Period: time.Second}, {Channel: sensors.CertifiedAlarm, Period: time.Second},
		{Channel: sensors.StoreAgeS, Period: time.Second}, {Channel: sensors.ClockSynced, Period: time.Second},
	}
}

// van makes snapshots one after another.
type van struct {
	boot    string
	up      time.Duration
	offset  time.Time // wall at up 0
	trusted bool
	tick    uint64
	seq     uint64
	totals  core.Totals
	values  map[sensors.Channel]float64 // a channel not here is missing
	fuelKg  float64
	burn    float64
}

func newVan() *van {
	return &van{
		boot: "boot-1", offset: dusk(), trusted: true, fuelKg: 5.2, burn: 0.12,
		values: map[sensors.Channel]float64{
			sensors.LoadCounts: 4_200_000, sensors.GasV: 0.61, sensors.CabinC: 17.25, sensors.OutsideC: -6.5,
			sensors.LockerC: -3.2, sensors.WaterlineC: 6.1, sensors.BaroKPa: 84.3, sensors.BatteryV: 12.71,
			sensors.HeatCall: 1, sensors.CertifiedAlarm: 0, sensors.StoreAgeS: 0, sensors.ClockSynced: 1,
		},
	}
}

// snapshot is the van after d more of up time, with these events.
func (v *van) snapshot(d time.Duration, events ...core.Event) *core.Snapshot {
	v.up += d
	v.tick++
	st := sensors.Stamp{Up: v.up, Wall: v.offset.Add(v.up)}
	about := func(x, half float64) estimate.Quantity {
		return estimate.Quantity{Value: x, Low: x - half, High: x + half, Quality: sensors.Good}
	}
	e := &estimate.Estimates{
		FuelKg: about(v.fuelKg, 0.3), BurnKgPerH: about(v.burn, 0.02), Band: estimate.Background,
		ClockTrusted: v.trusted, BurnedKg: v.totals.BurnedKg,
		HeaterKgPerH: estimate.Unknown("not told apart"),
	}
	for _, w := range wiring() {
		x, known := v.values[w.Channel]
		c := estimate.ChannelState{Channel: w.Channel, Value: x, Quality: sensors.Good, Seen: true, LastUp: v.up}
		if !known {
			c.Quality, c.Why = sensors.Bad, "timeout"
		}
		e.Channels = append(e.Channels, c)
	}
	for i := range events {
		v.seq++
		events[i].Seq, events[i].Stamp = v.seq, st
	}
	return &core.Snapshot{
		Stamp: st, Boot: v.boot, Tick: v.tick, Est: e, Totals: v.totals, Events: events,
		Tonight: nights.Tonight{NightsLeft: about(3, 1)},
	}
}

func alarm(id, priority, to string) core.Event {
	return core.Event{Alarm: &alerts.Transition{Kind: "alarm", ID: id, From: "normal", To: to, Priority: priority, Why: "0.61 V"}}
}

func happening(kind string) core.Event {
	return core.Event{Happening: &estimate.Happening{Kind: kind, Appliance: "heater"}}
}

func night(date string, version int, kg float64) core.Event {
	return core.Event{Night: &nights.Night{Kind: "night", Date: date, Version: version, BurnedKg: &kg, HighestBand: "background"}}
}

func openIn(t testing.TB, dir string, o Options) *Store {
	t.Helper()
	if o.Wiring == nil {
		o.Wiring = wiring()
	}
	s, err := Open(filepath.Join(dir, "history.db"), o)
	if err != nil {
		t.Fatal(err)
	}
	return s
}

// closeStore gives the writer longer than Close does, whose patience is for a dead disk and
// not for a busy one.
func closeStore(t testing.TB, s *Store) {
	t.Helper()
	s.closing.Do(func() { close(s.quit) })
	select {
	case <-s.ended:
	case <-deadline(t).Done():
		t.Fatal("the writer does not end")
	}
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
}

func commit(t testing.TB, s *Store, v *van, events ...core.Event) {
	t.Helper()
	snap := v.snapshot(time.Second, events...)
	snap.Checkpoint = fmt.Appendf(nil, `{"seq":%d}`, v.seq)
	s.Deliver(snap)
	if err := s.Committed(deadline(t), v.tick); err != nil {
		t.Fatal(err)
	}
}

// deadline bounds a test that hangs; nothing is concluded from it.
func deadline(t testing.TB) context.Context {
	ctx, cancel := context.WithTimeout(context.Background(), 5*time.Minute)
	t.Cleanup(cancel)
	return ctx
}

func health(s *Store) map[sensors.Channel]sensors.Reading {
	m := make(map[sensors.Channel]sensors.Reading)
	s.Health(func(c sensors.Channel, r sensors.Reading) { m[c] = r })
	return m
}

func TestWhatWasCommittedIsThereAfterTheNextStart(t *testing.T) {
	dir := t.TempDir()
	s, v := openIn(t, dir, Options{}), newVan()
	if r, err := s.Resume(); err != nil || r.Boot != "" || r.Checkpoint != nil || r.Clean {
		t.Fatalf("first start: resume = %+v, %v, want nothing", r, err)
	}
	v.totals = core.Totals{BurnedKg: 1.25, Boots: 1, Nights: 4}
	snap := v.snapshot(time.Second, happening(estimate.BurnerOn), alarm("gas-floor-high", "critical", "unacknowledged"), night("2026-11-23", 1, 0.9))
	snap.Checkpoint = []byte(`{"version":1,"tare_kg":5.4}`)
	s.Deliver(snap)
	if err := s.Committed(deadline(t), v.tick); err != nil {
		t.Fatal(err)
	}
	closeStore(t, s)

	s = openIn(t, dir, Options{})
	defer closeStore(t, s)
	r, err := s.Resume()
	if err != nil {
		t.Fatal(err)
	}
	want := Resume{Checkpoint: snap.Checkpoint, Boot: "boot-1", Tick: 1, Stamp: snap.Stamp, Totals: v.totals, LastSeq: 3, Clean: true}
	if fmt.Sprintf("%+v", r) != fmt.Sprintf("%+v", want) {
		t.Errorf("resume = %+v, want %+v", r, want)
	}
	evs, err := s.Events(deadline(t), 0, 10)
	if err != nil {
		t.Fatal(err)
	}
	var kinds []string
	for _, e := range evs {
		kinds = append(kinds, fmt.Sprint(e.Seq, " ", e.Kind()))
	}
	if got, want := strings.Join(kinds, ", "), "3 night, 2 alarm, 1 burner-on"; got != want {
		t.Errorf("events newest first = %s, want %s", got, want)
	}
	if evs[1].Alarm.ID != "gas-floor-high" || !evs[1].Stamp.Wall.Equal(snap.Stamp.Wall) || evs[1].Stamp.Up != snap.Stamp.Up {
		t.Errorf("alarm came back as %+v, want gas-floor-high at %v", evs[1], snap.Stamp)
	}
	older, err := s.Events(deadline(t), 3, 1)
	if err != nil || len(older) != 1 || older[0].Seq != 2 {
		t.Errorf("one event before 3 = %+v, %v, want number 2", older, err)
	}
	if tot, err := s.Totals(deadline(t)); err != nil || tot != v.totals {
		t.Errorf("totals = %+v, %v, want %+v", tot, err, v.totals)
	}
}

func TestTotalsNeverFallEvenIfTheCoreStartsCold(t *testing.T) {
	s, v := openIn(t, t.TempDir(), Options{}), newVan()
	defer closeStore(t, s)
	v.totals = core.Totals{BurnedKg: 40, CylinderChanges: 5, Boots: 9}
	commit(t, s, v, happening(estimate.BurnerOn))
	v.totals = core.Totals{BurnedKg: 0.1, ClockSteps: 2, Boots: 10}
	commit(t, s, v, happening(estimate.BurnerOff))
	want := core.Totals{BurnedKg: 40, CylinderChanges: 5, ClockSteps: 2, Boots: 10}
	if got, err := s.Totals(deadline(t)); err != nil || got != want {
		t.Errorf("totals = %+v, %v, want the larger of each: %+v", got, err, want)
	}
}

// TestWhicheverCheckpointRowBreaksAnotherIsRead breaks each row of three kinds of history:
// a base alone, bases and patches, and patches on a base that has been followed by another.
func TestWhicheverCheckpointRowBreaksAnotherIsRead(t *testing.T) {
	for _, n := range []int{1, 2, 5, basePatches + 1, basePatches + 2, basePatches + 4, 3*basePatches + 9} {
		dir := t.TempDir()
		s, v := openIn(t, dir, Options{}), newVan()
		numbers := strings.Repeat("4.25,17.5,", 500)
		text := func(i int) string { return fmt.Sprintf(`{"n":%d,"numbers":[%s%d]}`, i, numbers, i*i) }
		for i := range n {
			snap := v.snapshot(time.Second)
			snap.Checkpoint = []byte(text(i))
			s.Deliver(snap)
			if err := s.Committed(deadline(t), v.tick); err != nil {
				t.Fatal(err)
			}
		}
		got, err := readCheckpoint(s.w)
		if err != nil || string(got) != text(n-1) {
			t.Errorf("after %d checkpoints: %.20s, %v, want the newest", n, got, err)
		}
		for slot := statePatch; slot < stateBase+2; slot++ {
			err := inTx(s.w, func(tx *sql.Tx) error {
				if _, err := tx.Exec("UPDATE state SET body = zeroblob(length(body) - 9) || x'010203040506070809' WHERE id = ?", slot); err != nil {
					return err
				}
				got, err := readCheckpoint(tx)
				if err != nil {
					return err
				}
				i := -1
				if _, err := fmt.Sscanf(string(got), `{"n":%d,`, &i); n > 1 && err != nil || i >= 0 && string(got) != text(i) {
					t.Errorf("after %d checkpoints, row %d broken: %.20q, want a whole one", n, slot, got)
				}
				return errRollback
			})
			if !errors.Is(err, errRollback) {
				t.Fatal(err)
			}
		}
		closeStore(t, s)
		s = openIn(t, dir, Options{})
		if r, _ := s.Resume(); string(r.Checkpoint) != text(n-1) {
			t.Errorf("after %d checkpoints and a restart: %.20s, want the newest", n, r.Checkpoint)
		}
		closeStore(t, s)
	}
}

func TestTheLedgerShowsTheNewestModelAndKeepsTheOld(t *testing.T) {
	s, v := openIn(t, t.TempDir(), Options{}), newVan()
	defer closeStore(t, s)
	commit(t, s, v, night("2026-11-22", 1, 0.7), night("2026-11-23", 1, 0.9), night("2026-11-21", 2, 0.5))
	commit(t, s, v, night("2026-11-22", 2, 0.75), night("2026-11-21", 1, 0.4))
	ns, err := s.Nights(deadline(t), 10)
	if err != nil {
		t.Fatal(err)
	}
	var got []string
	for _, n := range ns {
		got = append(got, fmt.Sprintf("%s v%d %.2f", n.Date, n.Version, *n.BurnedKg))
	}
	want := "2026-11-21 v2 0.50, 2026-11-22 v2 0.75, 2026-11-23 v1 0.90"
	if strings.Join(got, ", ") != want {
		t.Errorf("ledger = %s, want %s", strings.Join(got, ", "), want)
	}
	var kept int
	if err := s.r.QueryRow("SELECT count(*) FROM nights").Scan(&kept); err != nil || kept != 5 {
		t.Errorf("%d rows kept, %v, want all 5", kept, err)
	}
	if ns, _ = s.Nights(deadline(t), 1); len(ns) != 1 || ns[0].Date != "2026-11-23" {
		t.Errorf("the newest night = %+v, want 2026-11-23", ns)
	}
}

func TestAnEventNumberThatComesTwiceCostsNeitherEvent(t *testing.T) {
	var log bytes.Buffer
	s, v := openIn(t, t.TempDir(), Options{Paths: []string{"mqtt"}, Log: slog.New(slog.NewTextHandler(&log, nil))}), newVan()
	commit(t, s, v, alarm("a", "high", "unacknowledged"), alarm("b", "high", "unacknowledged"))
	v.seq = 0 // the core went on from an older checkpoint
	commit(t, s, v, alarm("c", "high", "unacknowledged"))
	evs, err := s.Events(deadline(t), 0, 10)
	if err != nil {
		t.Fatal(err)
	}
	var ids []string
	for _, e := range evs {
		ids = append(ids, e.Alarm.ID)
	}
	if got := strings.Join(ids, " "); got != "c b a" {
		t.Errorf("events = %s, want c b a", got)
	}
	if rows, err := s.Next(deadline(t), "mqtt", 10); err != nil || len(rows) != 3 {
		t.Errorf("outbox = %d rows, %v, want all 3 alarms", len(rows), err)
	}
	closeStore(t, s)
	if !strings.Contains(log.String(), "came twice") {
		t.Errorf("log = %q, want a line about the number", log.String())
	}
}

func TestAnEventIsNeverOnTheDiskBeforeItsCheckpoint(t *testing.T) {
	s, v := openIn(t, t.TempDir(), Options{}), newVan()
	count := func() (n int) {
		t.Helper()
		if err := s.r.QueryRow("SELECT count(*) FROM events").Scan(&n); err != nil {
			t.Fatal(err)
		}
		return n
	}
	commit(t, s, v, alarm("starved", "high", "unacknowledged"))
	s.Deliver(v.snapshot(time.Second, happening(estimate.BurnerOn)))
	if err := s.Committed(deadline(t), v.tick); err != nil {
		t.Fatal(err)
	}
	for range 12 {
		s.Deliver(v.snapshot(time.Minute))
	}
	s.mu.Lock()
	b := s.q.take(false)
	s.mu.Unlock()
	if n := count(); n != 1 || b != nil && len(b.events) != 0 {
		t.Errorf("%d events on the disk, batch %+v: want only the alarm, since the burner came without a checkpoint", n, b)
	}
	commit(t, s, v)
	if n := count(); n != 2 {
		t.Errorf("%d events on the disk, want both once a checkpoint has come", n)
	}
	s.Deliver(v.snapshot(time.Second, happening(estimate.BurnerOff)))
	path := s.path
	closeStore(t, s)
	s = openIn(t, filepath.Dir(path), Options{})
	defer closeStore(t, s)
	if n := count(); n != 3 {
		t.Errorf("%d events after a stop in order, want all 3", n)
	}
}

// fill delivers d with one tick a step and a wave on the cabin's temperature.
func fill(t testing.TB, s *Store, v *van, d, step time.Duration) {
	t.Helper()
	for end := v.up + d; v.up < end; {
		v.values[sensors.CabinC] = 15 + 3*math.Sin(v.up.Hours()/24*2*math.Pi)
		s.Deliver(v.snapshot(step))
		if v.tick%500 == 0 { // do not outrun the bounded queue
			commit(t, s, v, happening(estimate.BurnerOn))
		}
	}
	commit(t, s, v, happening(estimate.BurnerOff))
}

func TestWhatAPersonSaidIsInTheLogBesideItsAlarm(t *testing.T) {
	s, v := openIn(t, t.TempDir(), Options{}), newVan()
	defer closeStore(t, s)
	commit(t, s, v, alarm("starved", "high", "unacknowledged"))
	said := []core.Note{
		{Kind: core.AlarmAnswer, Actor: "page", Alarm: "starved", Of: 1, Choice: "valve-shut", Text: "for the drive, again"},
		{Kind: core.JointChecked, Actor: "page", Joint: "pigtail", Result: core.Bubbles},
		{Kind: core.ChangeUndone, Actor: "page"},
		{Kind: core.NightChosen, Actor: "page", Text: "20:00-08:00"},
	}
	for i := range said {
		commit(t, s, v, core.Event{Note: &said[i]})
	}
	evs, err := s.Events(deadline(t), 0, 10)
	if err != nil || len(evs) != 5 {
		t.Fatalf("%d events, %v, want all five", len(evs), err)
	}
	for i, want := range said {
		if got := evs[3-i].Note; got == nil || *got != want {
			t.Errorf("read back %+v, want %+v", got, want)
		}
	}
	if evs[4].Seq != said[0].Of {
		t.Errorf("the answer names event %d, its alarm is %d", said[0].Of, evs[4].Seq)
	}
}
