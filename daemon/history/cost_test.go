package history

import (
	"math"
	"math/rand/v2"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
	"time"

	"frostline/alerts"
	"frostline/daemon/core"
	"frostline/daemon/estimate"
	"frostline/sensors"
)

// ioCount reads one counter of proc(5), /proc/self/io.
func ioCount(t testing.TB, key string) int64 {
	t.Helper()
	text, err := os.ReadFile("/proc/self/io")
	if err != nil {
		if os.Getenv("FROSTLINE_NO_SKIP") != "" {
			t.Fatalf("no account of bytes on this system: %v", err)
		}
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

// realCore is the program's own core, so that its checkpoints are as large and as restless
// as they are.
func realCore() *core.Core {
	return core.New(core.Params{
		Wiring:    wiring(),
		Setpoints: alerts.Setpoints{PipeC: 2, BatteryV: 11.8, Broker: true},
		Estimate: estimate.Params{
			Scale:      estimate.Scale{CountsPerKg: 200_000, ZeroCounts: 100_000, CapacityKg: 40, CalibratedAtC: 10, ZeroTCGPerK: 3, SpanTCPPMPerK: 20},
			Cylinder:   estimate.Cylinder{TareKg: 5.4, CapacityKg: 9},
			Gas:        estimate.Gas{SupplyV: 5, LoadOhm: 5000, CleanAirRatio: 10},
			Appliances: []estimate.Appliance{{Name: "heater", Kind: estimate.Heater, RatedKW: 2.2}},
		},
	})
}

// busyDay is what a winter day brings: a tick a second, noise on every channel, a heater that
// goes on forty times and burns 2 kg. It returns how many events and checkpoints there were.
func busyDay(t testing.TB, s *Store, c *core.Core, v *van, noise *rand.Rand) (events, checkpoints int) {
	for range 86_400 {
		heat := int(v.up/(18*time.Minute)) % 2
		if heat == 1 {
			v.fuelKg -= 0.17 / 3600
		}
		in := core.Input{Boot: v.boot, Stamp: sensors.Stamp{Up: v.up, Wall: v.offset.Add(v.up)}}
		for _, w := range wiring() {
			x := v.values[w.Channel]
			switch {
			case v.up%w.Period != 0:
				in.Readings = append(in.Readings, sensors.Reading{})
				continue
			case w.Channel == sensors.HeatCall:
				x = float64(heat)
			case w.Channel == sensors.LoadCounts:
				x = math.Round(100_000 + (5.4+v.fuelKg)*200_000 + 20*noise.NormFloat64())
			case w.Channel == sensors.GasV:
				x = math.Round((x+0.0005*noise.NormFloat64())*1e4) / 1e4
			case !w.Channel.IsSwitch() && !w.Channel.IsHealth():
				x = math.Round((x+2*math.Sin(v.up.Hours()/4)+0.05*noise.NormFloat64())*100) / 100
			}
			in.Readings = append(in.Readings, sensors.Of(x))
		}
		v.up += time.Second
		snap := c.Step(in)
		events += len(snap.Events)
		if snap.Checkpoint != nil {
			checkpoints++
		}
		s.Deliver(snap)
		select {
		case <-s.wake:
			if !s.writeOnce(false) {
				t.Fatal("a commit failed")
			}
		default:
		}
	}
	return events, checkpoints
}

func TestADayCostsTheCardLessThanFiveMegabytes(t *testing.T) {
	if testing.Short() {
		t.Skip("long: two days of seconds, one after another")
	}
	s, err := open(filepath.Join(t.TempDir(), "history.db"), Options{Wiring: wiring(), Paths: []string{"mqtt"}})
	if err != nil {
		t.Fatal(err)
	}
	v, c, noise := newVan(), realCore(), rand.New(rand.NewPCG(7, 7))
	v.fuelKg = 9
	busyDay(t, s, c, v, noise) // the log grows to its size, the core learns
	const days = 1
	calls, dirty, n := ioCount(t, "wchar"), ioCount(t, "write_bytes"), ioCount(t, "syscw")
	size := s.sizeBytes()
	var events, checkpoints int
	for range days {
		e, k := busyDay(t, s, c, v, noise)
		events, checkpoints = events+e, checkpoints+k
	}
	calls, dirty, n = (ioCount(t, "wchar")-calls)/days, (ioCount(t, "write_bytes")-dirty)/days, (ioCount(t, "syscw")-n)/days
	t.Logf("a day of %d events and %d checkpoints: %.2f MB by %d write calls, %.2f MB of dirty pages; the file grows by %.2f MB",
		events/days, checkpoints/days, float64(calls)/1e6, n, float64(dirty)/1e6, float64(s.sizeBytes()-size)/days/1e6)
	if events/days < 60 || checkpoints/days < 140 {
		t.Errorf("%d events and %d checkpoints a day: the day is not busy enough to prove anything", events/days, checkpoints/days)
	}
	if calls > 5e6 {
		t.Errorf("%d bytes a day, want under 5 MB", calls)
	}
	var minutes int
	if err := s.r.QueryRow("SELECT count(*) FROM minutes").Scan(&minutes); err != nil || minutes < (1+days)*1440-20 {
		t.Errorf("%d minutes stored, %v, want every one of them", minutes, err)
	}
	if err := s.r.QueryRow("SELECT sum(pgsize) FROM dbstat WHERE name = 'minutes'").Scan(&size); err != nil {
		t.Fatal(err)
	}
	t.Logf("a minute of %d series takes %d bytes; 400 days take %d MB", len(s.series), size/int64(minutes), size/int64(minutes)*keepMinutes/1e6)
	go s.writeLoop()
	closeStore(t, s)
}

// season is half a year of minutes, made once.
func season(b *testing.B) (*Store, *van) {
	b.Helper()
	s, v := openIn(b, b.TempDir(), Options{}), newVan()
	fill(b, s, v, 180*24*time.Hour, time.Minute)
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
