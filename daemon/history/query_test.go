package history

import (
	"database/sql"
	"errors"
	"math"
	"path/filepath"
	"slices"
	"testing"
	"time"

	"frostline/daemon/core"
	"frostline/daemon/estimate"
	"frostline/sensors"
)

func TestAMinuteIsStoredAsItsMeanAndExtremes(t *testing.T) {
	s, v := openIn(t, t.TempDir(), Options{}), newVan()
	defer closeStore(t, s)
	v.up = -time.Second
	for i := range 60 {
		v.values[sensors.LoadCounts] = 4_200_000 + float64(i)*10
		v.values[sensors.HeatCall] = 0
		if i < 15 {
			v.values[sensors.HeatCall] = 1
		}
		delete(v.values, sensors.GasV)
		if i >= 48 {
			v.values[sensors.GasV] = 0.5 + float64(i-48)/100
		}
		s.Deliver(v.snapshot(time.Second))
	}
	for range 11 * 60 { // long enough that the ten-minute flush has been asked for
		s.Deliver(v.snapshot(time.Second))
	}
	commit(t, s, v, happening(estimate.BurnerOff))
	for _, tt := range []struct {
		name string
		want core.Bucket
	}{
		{"load_counts", core.Bucket{Min: 4_200_000, Mean: 4_200_295, Max: 4_200_590, N: 60}},
		{"heat_call", core.Bucket{Min: 0, Mean: 0.25, Max: 1, N: 60}},
		{"gas_v", core.Bucket{Min: 0.5, Mean: 0.555, Max: 0.61, N: 12}},
		{"certified_alarm", core.Bucket{N: 60}},
		{"fuel_kg", core.Bucket{Min: 5.2, Mean: 5.2, Max: 5.2, N: 60}},
		{"fuel_low_kg", core.Bucket{Min: 4.9, Mean: 4.9, Max: 4.9, N: 60}},
		{"burn_kg_h", core.Bucket{Min: 0.12, Mean: 0.12, Max: 0.12, N: 60}},
		{"gas_band", core.Bucket{Min: 1, Mean: 1, Max: 1, N: 60}},
	} {
		got, err := s.Series(deadline(t), tt.name, dusk(), dusk().Add(time.Minute), 0)
		if err != nil || len(got) != 1 {
			t.Errorf("%s: %d buckets, %v, want 1", tt.name, len(got), err)
			continue
		}
		tt.want.FromWall, tt.want.Length = dusk(), time.Minute
		if !near(got[0], tt.want) {
			t.Errorf("%s = %+v, want %+v", tt.name, got[0], tt.want)
		}
	}
	if got, err := s.Series(deadline(t), "heater_kg_h", dusk(), dusk().Add(time.Hour), 0); err != nil || len(got) != 0 {
		t.Errorf("a value that was never known: %v, %v, want no buckets", got, err)
	}
	if _, err := s.Series(deadline(t), "boiler_c", dusk(), dusk().Add(time.Hour), 0); err == nil {
		t.Error("history of a series that does not exist: no error")
	}
}

func near(a, b core.Bucket) bool {
	close := func(x, y float64) bool { return math.Abs(x-y) < 1e-6*max(1, math.Abs(y)) }
	return a.FromWall.Equal(b.FromWall) && a.Length == b.Length && a.N == b.N &&
		close(a.Min, b.Min) && close(a.Mean, b.Mean) && close(a.Max, b.Max)
}

func TestASwitchThatClosedOnceIsNeverShownAsNever(t *testing.T) {
	for _, tt := range []struct {
		on, of   int
		min, max float64
	}{{0, 3600, 0, 0}, {1, 3600, 0, 1}, {3599, 3600, 0, 1}, {3600, 3600, 1, 1}} {
		var c cell
		for i := range tt.of {
			v := 0.0
			if i < tt.on {
				v = 1
			}
			c.add(v, 1)
		}
		se := series{"heat_call", 100, true}
		share := se.encode(nil, c)[0].(int64)
		if got := se.decode([]*int64{&share}, tt.of); got.min != tt.min || got.max != tt.max {
			t.Errorf("on for %d of %d ticks: min %g max %g, want %g and %g", tt.on, tt.of, got.min, got.max, tt.min, tt.max)
		}
	}
}

func TestChartsComeFromTheLevelThatFitsTheirSpan(t *testing.T) {
	s, v := openIn(t, t.TempDir(), Options{}), newVan()
	defer closeStore(t, s)
	fill(t, s, v, 73*24*time.Hour, 5*time.Minute) // a row in five is enough for the coarse levels
	denser := v.offset.Add(v.up)
	fill(t, s, v, 2*24*time.Hour, time.Minute)
	end := v.offset.Add(v.up)
	for _, tt := range []struct {
		span   time.Duration
		max    int
		length time.Duration
		least  int
	}{
		{24 * time.Hour, 0, time.Minute, 1430},
		{24 * time.Hour, 300, 5 * time.Minute, 285},
		{30 * 24 * time.Hour, 0, 15 * time.Minute, 2870},
		{30 * 24 * time.Hour, 1000, 45 * time.Minute, 955},
		{74 * 24 * time.Hour, 0, time.Hour, 1770},
		{74 * 24 * time.Hour, 500, 4 * time.Hour, 440},
	} {
		got, err := s.Series(deadline(t), "cabin_c", end.Add(-tt.span), end, tt.max)
		if err != nil {
			t.Fatal(err)
		}
		if len(got) < tt.least || tt.max > 0 && len(got) > tt.max {
			t.Errorf("%v with at most %d points: %d points, want at least %d", tt.span, tt.max, len(got), tt.least)
			continue
		}
		near := 0.03 // K
		if tt.length > 5*time.Minute {
			near = 0.12 // the days before the last two have a tick in five minutes
		}
		half := math.Pi * tt.length.Hours() / 24
		sinc := math.Sin(half) / half // a mean over part of a wave is a flatter wave
		for i, b := range got {
			if b.Length != tt.length {
				t.Fatalf("%v: bucket of %v, want %v", tt.span, b.Length, tt.length)
			}
			if i > 0 && b.FromWall.Sub(got[i-1].FromWall) < tt.length {
				t.Fatalf("%v: bucket at %v overlaps the one at %v", tt.span, b.FromWall, got[i-1].FromWall)
			}
			if end := b.FromWall.Add(b.Length); i == 0 || i == len(got)-1 || b.FromWall.Before(denser) && end.After(denser) {
				continue // may hold a part of its stretch, or more ticks in one half
			}
			mid := b.FromWall.Add(b.Length / 2).Sub(v.offset)
			if want := 15 + 3*sinc*math.Sin(mid.Hours()/24*2*math.Pi); math.Abs(b.Mean-want) > near {
				t.Fatalf("%v: mean at %v = %.3f, want %.3f", tt.span, b.FromWall, b.Mean, want)
			}
			if b.Min > b.Mean || b.Max < b.Mean {
				t.Fatalf("%v: mean %.3f outside %.3f..%.3f", tt.span, b.Mean, b.Min, b.Max)
			}
		}
	}
}

func TestAnHourIsMadeOfExactlyItsMinutesAcrossAKillAndARestart(t *testing.T) {
	dir := t.TempDir()
	s, v := openIn(t, dir, Options{}), newVan()
	v.up = -time.Minute
	for i := range 100 { // an hour and 40 minutes
		v.values[sensors.CabinC] = float64(i)
		s.Deliver(v.snapshot(time.Minute))
	}
	commit(t, s, v, happening(estimate.BurnerOn)) // minute 99 is still open and is lost with the kill
	dir = copyStore(t, s, dir)
	s2 := openIn(t, dir, Options{})
	v.boot, v.up, v.offset = "boot-2", 0, dusk().Add(3*time.Hour)
	for range 12 {
		s2.Deliver(v.snapshot(time.Minute))
	}
	commit(t, s2, v, happening(estimate.BurnerOff))
	got, err := s2.Series(deadline(t), "cabin_c", dusk(), dusk().Add(61*24*time.Hour), 0)
	if err != nil {
		t.Fatal(err)
	}
	want := []core.Bucket{
		{FromWall: dusk(), Length: time.Hour, Min: 0, Mean: 29.5, Max: 59, N: 60},
		{FromWall: dusk().Add(time.Hour), Length: time.Hour, Min: 60, Mean: 79, Max: 98, N: 39},
	}
	if !slices.EqualFunc(got, want, near) {
		t.Errorf("hours = %+v, want %+v", got, want)
	}
	closeStore(t, s2)
	closeStore(t, s)
}

// Years at a point for some days come from days; finer, or for a file to take away, from hours.
// A file from before there were days gets them from its hours.
func TestYearsAreDrawnFromDaysThatHoldWhatTheirHoursDid(t *testing.T) {
	dir := t.TempDir()
	s, v := openIn(t, dir, Options{}), newVan()
	for i := range 1200 * 4 { // 1200 days, the second half of them in another boot
		if i == 600*4 {
			v.boot, v.offset, v.up = "boot-2", v.offset.Add(v.up+5*time.Hour), 0
		}
		v.values[sensors.CabinC] = 15 + 10*math.Sin(float64(i)/400) + float64(i%4)
		s.Deliver(v.snapshot(6 * time.Hour))
		if i%300 == 299 {
			commit(t, s, v, happening(estimate.BurnerOff))
		}
	}
	end := v.offset.Add(v.up).Truncate(24 * time.Hour)
	from := end.AddDate(-3, 0, 0)
	coarse := func(s *Store) []core.Bucket {
		t.Helper()
		got, err := s.Series(deadline(t), "cabin_c", from, end, 300)
		if err != nil {
			t.Fatal(err)
		}
		return got
	}
	days, err1 := s.Series(deadline(t), "cabin_c", from, end, 1000)
	hours, err2 := s.Series(deadline(t), "cabin_c", from, end, 0)
	if err1 != nil || err2 != nil || days[1].Length != 48*time.Hour || hours[1].Length != time.Hour {
		t.Fatalf("points of %v and %v, %v, %v; want days merged by two, and hours where nothing is merged", days[1].Length, hours[1].Length, err1, err2)
	}
	whole := func(list []core.Bucket) (c cell) {
		for _, b := range list {
			c.merge(cell{b.N, b.Min, b.Max, b.Mean * float64(b.N)})
		}
		return c
	}
	d, h := whole(days), whole(hours)
	if math.Abs(d.sum/float64(d.n)-h.sum/float64(h.n)) > 0.02 || math.Abs(d.min-h.min) > 0.02 || math.Abs(d.max-h.max) > 0.02 || math.Abs(float64(d.n-h.n)) > 0.01*float64(h.n) {
		t.Errorf("days hold %+v, their hours %+v", d, h)
	}
	if gap := end.Sub(days[len(days)-1].FromWall); gap > 4*24*time.Hour {
		t.Errorf("the newest days begin %v before the end", gap)
	}
	want := coarse(s)
	closeStore(t, s)
	db, err := sql.Open("sqlite", fileURI(filepath.Join(dir, "history.db")))
	if err == nil {
		_, err = db.Exec("DELETE FROM days")
	}
	if err := errors.Join(err, db.Close()); err != nil {
		t.Fatal(err)
	}
	s = openFilled(t, dir, Options{Wiring: wiring()})
	go s.writeLoop()
	defer closeStore(t, s)
	if got := coarse(s); len(got) < 270 || !slices.EqualFunc(got[:len(want)-1], want[:len(want)-1], near) { // the last day was not over
		t.Errorf("%d points after the days were made again, want the %d there were", len(got), len(want))
	}
}

// number reads one number from the file.
func number(t *testing.T, s *Store, query string, args ...any) (n int64) {
	t.Helper()
	if err := s.w.QueryRow(query, args...).Scan(&n); err != nil {
		t.Fatalf("%s: %v", query, err)
	}
	return n
}

// What no day holds yet is drawn from its hours: the running boot since its last day, all of
// a young store, and a file whose days are still to be made.
func TestAChartOfDaysHasWhatNoDayHoldsYet(t *testing.T) {
	s, v := openIn(t, t.TempDir(), Options{}), newVan()
	defer closeStore(t, s)
	chart := func() (c cell, last core.Bucket) {
		t.Helper()
		end := v.offset.Add(v.up)
		got, err := s.Series(deadline(t), "cabin_c", end.AddDate(-1, 0, 0), end.Add(24*time.Hour), 366)
		if err != nil {
			t.Fatal(err)
		}
		for i, b := range got {
			if i > 0 && b.FromWall.Sub(got[i-1].FromWall) < 24*time.Hour {
				t.Errorf("the point at %v overlaps the one at %v", b.FromWall, got[i-1].FromWall)
			}
			if b.Length != 24*time.Hour {
				t.Errorf("a point of %v, want days", b.Length)
			}
			c.merge(cell{b.N, b.Min, b.Max, b.Mean * float64(b.N)})
			last = b
		}
		return c, last
	}
	hours := func() int { return int(number(t, s, "SELECT coalesce(sum(ticks), 0) FROM hours")) }
	fill(t, s, v, 20*time.Hour, time.Minute)
	if c, _ := chart(); c.n != hours() || c.n < 19*60 {
		t.Errorf("a first boot of 20 h: %d ticks in the chart, want the %d of its hours", c.n, hours())
	}
	fill(t, s, v, 80*24*time.Hour, 15*time.Minute)
	v.boot, v.offset, v.up = "boot-2", v.offset.Add(v.up+time.Hour), 0
	fill(t, s, v, 3*time.Hour, time.Minute) // shorter than the day that the boot before it ends with
	fill(t, s, v, 41*time.Hour, time.Minute)
	c, last := chart()
	if c.n != hours() {
		t.Errorf("%d ticks in the chart, want the %d of the hours", c.n, hours())
	}
	if end := v.offset.Add(v.up); end.Sub(last.FromWall.Add(last.Length)) > time.Hour {
		t.Errorf("the newest point begins %v, the van was watched until %v", last.FromWall, end)
	}
	if _, err := s.w.Exec("DELETE FROM days WHERE id % ? > 20", spanStride); err != nil {
		t.Fatal(err)
	}
	if half, _ := chart(); half.n != c.n {
		t.Errorf("%d ticks in the chart while days are missing, want the same %d", half.n, c.n)
	}
}

func TestMinutesNotYetOnTheDiskAreInTheChart(t *testing.T) {
	s, v := openIn(t, t.TempDir(), Options{}), newVan()
	defer closeStore(t, s)
	for range 6 {
		s.Deliver(v.snapshot(time.Minute))
	}
	got, err := s.Series(deadline(t), "cabin_c", dusk(), dusk().Add(time.Hour), 0)
	if err != nil || len(got) != 5 {
		t.Errorf("%d buckets, %v, want the 5 finished minutes", len(got), err)
	}
	var stored int
	if err := s.r.QueryRow("SELECT count(*) FROM minutes").Scan(&stored); err != nil || stored != 0 {
		t.Errorf("%d minutes on the disk, %v, want none before ten are full", stored, err)
	}
}

// The writer moves ten minutes at a time from memory to the file, at any moment of a reading.
func TestAChartHasEveryMinuteWhileTheWriterMovesThem(t *testing.T) {
	s, v := openIn(t, t.TempDir(), Options{}), newVan()
	defer closeStore(t, s)
	s.Deliver(v.snapshot(time.Minute))
	for n := 1; n <= 200; n++ {
		s.Deliver(v.snapshot(time.Minute))
		got, err := s.Series(deadline(t), "cabin_c", dusk(), dusk().Add(24*time.Hour), 0)
		if err != nil || len(got) != n {
			t.Fatalf("%d minutes in the chart, %v, want all %d that are finished", len(got), err, n)
		}
	}
}

func TestOnlyTheNewest400DaysOfMinutesStay(t *testing.T) {
	s, v := openIn(t, t.TempDir(), Options{}), newVan()
	defer closeStore(t, s)
	commit(t, s, v, happening(estimate.BurnerOn))
	for range 15 {
		s.Deliver(v.snapshot(time.Minute))
	}
	commit(t, s, v, happening(estimate.BurnerOff))
	// Ten more than may stay, without writing half a million of them.
	if _, err := s.w.Exec("UPDATE state SET body = json_set(body, '$.minutes', ?) WHERE id = ?", keepMinutes+10, stateMark); err != nil {
		t.Fatal(err)
	}
	var before, after, first int64
	if err := s.r.QueryRow("SELECT count(*) FROM minutes").Scan(&before); err != nil {
		t.Fatal(err)
	}
	v.up += 25 * time.Hour
	commit(t, s, v, happening(estimate.BurnerOff))
	if err := s.r.QueryRow("SELECT count(*), min(id) % ? FROM minutes", spanStride).Scan(&after, &first); err != nil {
		t.Fatal(err)
	}
	// The open minute was closed by the jump and came in.
	if after != before+1-11 || first != 11 {
		t.Errorf("%d minutes became %d, the oldest is minute %d; want the 11 oldest gone", before, after, first)
	}
}
