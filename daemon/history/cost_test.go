package history

import (
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
	"time"

	"frostline/daemon/core"
	"frostline/daemon/estimate"
	"frostline/sensors"
)

// ioCount reads one counter of proc(5), /proc/self/io.
func ioCount(t testing.TB, key string) int64 {
	t.Helper()
	text, err := os.ReadFile("/proc/self/io")
	if err != nil {
		t.Skipf("no account of bytes on this system: %v", err)
	}
	for line := range strings.Lines(string(text)) {
		if v, ok := strings.CutPrefix(line, key+": "); ok {
			n, err := strconv.ParseInt(strings.TrimSpace(v), 10, 64)
			if err != nil {
				t.Fatal(err)
			}
			return n
		}
	}
	t.Fatalf("/proc/self/io has no %s", key)
	return 0
}

// busyDay is what a winter day brings: a tick a second with noise on every channel, a heater
// that cycles forty times, a few alarms, a night, a checkpoint of 12 KB with every event
// and every ten minutes.
func busyDay(s *Store, v *van, noise *rand.Rand) {
	for second := range 86_400 {
		for _, w := range wiring() {
			if w.Channel.IsSwitch() || w.Channel.IsHealth() {
				continue
			}
			v.values[w.Channel] *= 1 + 0.0003*noise.NormFloat64()
		}
		v.values[sensors.HeatCall] = math.Mod(math.Floor(float64(second)/1080), 2)
		v.fuelKg -= 1.2 / 86_400
		v.totals.BurnedKg += 1.2 / 86_400
		var events []core.Event
		switch {
		case second%2160 == 1000:
			events = append(events, happening(estimate.BurnerOn))
		case second%2160 == 2080:
			events = append(events, happening(estimate.BurnerOff))
		case second%20_000 == 100:
			events = append(events, alarm("battery-low", "medium", "unacknowledged"))
		case second%20_000 == 700:
			events = append(events, alarm("battery-low", "medium", "acknowledged"))
		case second == 36_000:
			events = append(events, night(fmt.Sprintf("day %d", v.tick/86_400), 1, 1.2))
		}
		snap := v.snapshot(time.Second, events...)
		if len(events) > 0 || second%600 == 300 {
			snap.Checkpoint = checkpoint(noise)
		}
		s.Deliver(snap)
		select {
		case <-s.wake:
			s.writeOnce(false)
		default:
		}
	}
}

// checkpoint is 12 KB of numbers that change, as an estimator's state would.
func checkpoint(noise *rand.Rand) []byte {
	b := []byte(`{"version":1,"numbers":[0`)
	for len(b) < 12_000 {
		b = strconv.AppendFloat(append(b, ','), noise.NormFloat64(), 'g', -1, 64)
	}
	return append(b, "]}"...)
}

func TestADayCostsTheCardLessThanFiveMegabytes(t *testing.T) {
	if testing.Short() {
		t.Skip("three simulated days of one tick a second")
	}
	s, err := open(filepath.Join(t.TempDir(), "history.db"), Options{Wiring: wiring(), Paths: []string{"mqtt"}})
	if err != nil {
		t.Fatal(err)
	}
	v, noise := newVan(), rand.New(rand.NewPCG(7, 7))
	busyDay(s, v, noise) // the log grows to its size
	const days = 2
	calls, dirty, n := ioCount(t, "wchar"), ioCount(t, "write_bytes"), ioCount(t, "syscw")
	size := s.sizeBytes()
	for range days {
		busyDay(s, v, noise)
	}
	calls, dirty, n = (ioCount(t, "wchar")-calls)/days, (ioCount(t, "write_bytes")-dirty)/days, (ioCount(t, "syscw")-n)/days
	t.Logf("a day: %.2f MB by %d write calls, %.2f MB of dirty pages; the file grows by %.2f MB",
		float64(calls)/1e6, n, float64(dirty)/1e6, float64(s.sizeBytes()-size)/days/1e6)
	if calls > 5e6 {
		t.Errorf("%d bytes a day, want under 5 MB", calls)
	}
	var minutes int
	if err := s.r.QueryRow("SELECT count(*) FROM minutes").Scan(&minutes); err != nil || minutes < 3*1440-20 {
		t.Errorf("%d minutes stored, %v, want three days of them", minutes, err)
	}
	go s.writeLoop()
	closeStore(t, s)
}

// season is half a year of minutes, made once.
func season(b *testing.B) (*Store, *van) {
	b.Helper()
	s, v := openIn(b, b.TempDir(), Options{}), newVan()
	fill(b, s, v, 180*24*time.Hour)
	return s, v
}

func BenchmarkSeries(b *testing.B) {
	s, v := season(b)
	defer closeStore(b, s)
	end := v.offset.Add(v.up)
	for _, q := range []struct {
		name string
		span time.Duration
	}{{"day", 24 * time.Hour}, {"thirty-nights", 30 * 24 * time.Hour}, {"season", 179 * 24 * time.Hour}} {
		b.Run(q.name, func(b *testing.B) {
			for b.Loop() {
				got, err := s.Series(b.Context(), "cabin_c", end.Add(-q.span), end, 400)
				if err != nil || len(got) < 300 {
					b.Fatalf("%d points, %v", len(got), err)
				}
			}
		})
	}
}

func BenchmarkDeliver(b *testing.B) {
	s, v := openIn(b, b.TempDir(), Options{}), newVan()
	defer closeStore(b, s)
	snap := v.snapshot(time.Second)
	b.ReportAllocs()
	for b.Loop() {
		s.Deliver(snap)
	}
}

func BenchmarkCommitOfAnAlarm(b *testing.B) {
	s, v := openIn(b, b.TempDir(), Options{Paths: []string{"mqtt"}}), newVan()
	defer closeStore(b, s)
	for b.Loop() {
		commit(b, s, v, happening(estimate.BurnerOn))
	}
}
