package sim

import (
	"context"
	"errors"
	"io"
	"math"
	"slices"
	"strings"
	"testing"
	"time"

	"frostline/sensors"
)

// van makes a scenario of a few lines.
func van(t testing.TB, seed uint64, lines ...string) *Van {
	t.Helper()
	s, err := Load(strings.NewReader("what = \"a test\"\n"+strings.Join(lines, "\n")), "test")
	if err != nil {
		t.Fatal(err)
	}
	return New(s, seed)
}

// row is one tick as read.
type row struct {
	stamp    sensors.Stamp
	boot     string
	readings []sensors.Reading
	truth    Truth
}

// play reads to the end and shows every tick; the row is used again for the next.
func play(t testing.TB, v *Van, each func(row)) {
	t.Helper()
	into := make([]sensors.Reading, len(v.Wiring()))
	for {
		stamp, err := v.Read(context.Background(), into)
		if errors.Is(err, io.EOF) {
			return
		}
		if err != nil {
			t.Fatal(err)
		}
		each(row{stamp, v.Boot(), into, v.Truth()})
	}
}

func TestTheSameSeedGivesTheSameReadingsAndAnotherSeedOthers(t *testing.T) {
	read := func(seed uint64) (rows [][]sensors.Reading) {
		play(t, van(t, seed, `duration = "2h"`), func(r row) { rows = append(rows, slices.Clone(r.readings)) })
		return rows
	}
	first, again, other := read(7), read(7), read(8)
	if len(first) != 7200 {
		t.Fatalf("%d ticks in 2 h, want 7200", len(first))
	}
	same := 0
	for i := range first {
		if !slices.Equal(first[i], again[i]) {
			t.Fatalf("tick %d: seed 7 gave %v, then %v", i, first[i], again[i])
		}
		if first[i][0] == other[i][0] {
			same++
		}
	}
	if same > 10 {
		t.Errorf("seeds 7 and 8 agree on the load cell in %d of %d ticks, want chance", same, len(first))
	}
}

func TestAFaultOnOneChannelMovesNoOther(t *testing.T) {
	healthy, faulty := van(t, 3, `duration = "1h"`), van(t, 3, `duration = "1h"
[[events]]
at = "10m"
do = "fault"
channel = "cabin_c"
mode = "crc"`)
	cabin := healthy.Wiring().Index(sensors.CabinC)
	var rows [][]sensors.Reading
	play(t, healthy, func(r row) { rows = append(rows, slices.Clone(r.readings)) })
	crc, i := 0, 0
	play(t, faulty, func(r row) {
		for ch := range r.readings {
			if ch != cabin && r.readings[ch] != rows[i][ch] {
				t.Fatalf("tick %d: %s reads %v, without the fault %v", i, faulty.Wiring()[ch].Channel, r.readings[ch], rows[i][ch])
			}
		}
		if r.readings[cabin] == sensors.Fault("crc") {
			crc++
		}
		i++
	})
	if crc != 300 {
		t.Errorf("%d crc faults in 50 min at 10 s, want 300", crc)
	}
}

func TestChannelsComeAtTheirPeriods(t *testing.T) {
	v := van(t, 1, `duration = "2h"`)
	seen := make([]int, len(v.Wiring()))
	play(t, v, func(r row) {
		for i := range r.readings {
			if r.readings[i].Quality != sensors.Missing {
				seen[i]++
			}
		}
	})
	for i, w := range v.Wiring() {
		want := float64(2 * time.Hour / w.Period)
		if got := float64(seen[i]); got > want || got < 0.99*want-1 {
			t.Errorf("%s: %v readings in 2 h, want %v less a few missed", w.Channel, got, want)
		}
	}
	if p := v.Wiring()[v.Wiring().Index(sensors.BaroKPa)].Period; p != time.Minute {
		t.Errorf("barometer every %v, want 1 min", p)
	}
}

func TestThermometersShowTheirPowerOnCodeAtEachBoot(t *testing.T) {
	v := van(t, 1, `duration = "40m"
[[events]]
at = "20m"
do = "power-cut"
for = "5m"`)
	codes := map[string]int{}
	boots := []string{}
	play(t, v, func(r row) {
		if !slices.Contains(boots, r.boot) {
			boots = append(boots, r.boot)
			if r.stamp.Up != 0 {
				t.Errorf("boot %s begins at up %v, want 0", r.boot, r.stamp.Up)
			}
		}
		for i, w := range v.Wiring() {
			if w.Channel.IsTemp() && r.readings[i].Value == 85 {
				codes[r.boot]++
				if r.stamp.Up > 20*time.Second {
					t.Errorf("%s shows 85.0 at up %v, want only after power-on", w.Channel, r.stamp.Up)
				}
			}
		}
	})
	if len(boots) != 2 {
		t.Fatalf("boots %v, want two", boots)
	}
	for _, b := range boots {
		if codes[b] < 4 || codes[b] > 8 {
			t.Errorf("boot %s: %d power-on codes of 4 thermometers, want one or two each", b, codes[b])
		}
	}
}

func TestABoardWithoutAClockBootsInThePastAndJumps(t *testing.T) {
	v := van(t, 1, `duration = "3h"
[van.clock]
rtc = false
sync_after = "10m"
[[events]]
at = "1h"
do = "power-cut"
for = "30m"`)
	synced := v.Wiring().Index(sensors.ClockSynced)
	var steps []time.Duration
	var last row
	var gap time.Duration
	play(t, v, func(r row) {
		if late := r.truth.Wall.Sub(r.stamp.Wall); r.readings[synced].Value == 1 && late != 0 {
			t.Fatalf("clock synced at up %v but %v late", r.stamp.Up, late)
		}
		switch {
		case last.boot == r.boot:
			if step := r.stamp.Wall.Sub(last.stamp.Wall) - (r.stamp.Up - last.stamp.Up); step != 0 {
				steps = append(steps, step)
			}
		case last.boot != "":
			gap = r.truth.Elapsed - last.truth.Elapsed
			if late := r.truth.Wall.Sub(r.stamp.Wall); late < 29*time.Minute {
				t.Errorf("after a cut of 30 min the clock is %v late, want the length of the cut", late)
			}
		}
		last = r
	})
	if gap < 30*time.Minute || gap > 31*time.Minute {
		t.Errorf("nothing read for %v, want the 30 min of the cut", gap)
	}
	if len(steps) != 1 || steps[0] < 29*time.Minute || steps[0] > 31*time.Minute {
		t.Errorf("wall clock steps %v, want one of the length of the cut", steps)
	}
}

func TestReadRefusesAShortSliceAndADoneContext(t *testing.T) {
	v := van(t, 1)
	if _, err := v.Read(context.Background(), make([]sensors.Reading, 2)); err == nil {
		t.Error("two readings for fourteen channels were taken")
	}
	ctx, cancel := context.WithCancel(context.Background())
	cancel()
	if _, err := v.Read(ctx, make([]sensors.Reading, 20)); !errors.Is(err, context.Canceled) {
		t.Errorf("a done context gave %v, want context.Canceled", err)
	}
}

func TestAScenarioThatCannotBePlayedIsRefusedByName(t *testing.T) {
	tests := map[string]struct{ text, want string }{
		"an unknown key is named with its line": {"what = \"x\"\n[van.heater]\nkilowatts = 3", "line 3: unknown key van.heater.kilowatts"},
		"an unknown event":                      {"what = \"x\"\n[[events]]\ndo = \"explode\"", `do "explode"`},
		"a leak nowhere":                        {"what = \"x\"\n[[events]]\ndo = \"leak\"\ng_per_h = 3", "where"},
		"a fault of a channel not fitted":       {"what = \"x\"\nwithout = [\"gas_v\"]\n[[events]]\ndo = \"fault\"\nchannel = \"gas_v\"\nmode = \"gap\"", "not fitted"},
		"a channel nobody simulates":            {"what = \"x\"\nchannels = [\"ack_button\"]", "ack_button"},
		"a tick of half a second":               {"what = \"x\"\ntick = \"500ms\"", "tick"},
		"more fuel than the cylinder holds":     {"what = \"x\"\n[van.cylinder]\nfuel_kg = 30", "no room"},
		"a drive without an end":                {"what = \"x\"\n[[events]]\ndo = \"drive\"", "want for"},
		"a broken regulator that is whole":      {"what = \"x\"\n[[events]]\ndo = \"regulator\"\nvalue = 1", "share"},
		"nothing said of what happens":          {"seed = 3", "what"},
		"no TOML at all":                        {"what = ", "line 1"},
	}
	for name, k := range tests {
		t.Run(name, func(t *testing.T) {
			_, err := Load(strings.NewReader(k.text), "bad")
			if err == nil || !strings.Contains(err.Error(), k.want) || !strings.Contains(err.Error(), "scenario bad") {
				t.Errorf("error %v, want it to name the scenario and say %q", err, k.want)
			}
		})
	}
}

func TestFaultsLookAsTheyDoOnARealBoard(t *testing.T) {
	tests := map[string]struct {
		channel sensors.Channel
		mode    string
		ok      func(r sensors.Reading) bool
	}{
		"a scale on the rail":               {sensors.LoadCounts, "rail", func(r sensors.Reading) bool { return r == sensors.Of(8388607) }},
		"a scale that times out":            {sensors.LoadCounts, "timeout", func(r sensors.Reading) bool { return r == sensors.Fault("timeout") }},
		"a gap":                             {sensors.LoadCounts, "gap", func(r sensors.Reading) bool { return r == sensors.Reading{} }},
		"a cut gas lead reads zero":         {sensors.GasV, "open", func(r sensors.Reading) bool { return r == sensors.Of(0) }},
		"a short to the supply":             {sensors.GasV, "rail", func(r sensors.Reading) bool { return r == sensors.Of(5) }},
		"a cold gas sensor reads clean air": {sensors.GasV, "heater", func(r sensors.Reading) bool { return r.Value < 0.05 }},
		"a bus nobody answers on":           {sensors.LockerC, "open", func(r sensors.Reading) bool { return r == sensors.Fault("open") }},
		"a code that looks like data":       {sensors.LoadCounts, "code", func(r sensors.Reading) bool { return r == sensors.Of(-1) }},
	}
	for name, k := range tests {
		t.Run(name, func(t *testing.T) {
			v := van(t, 1, `duration = "20m"
[[events]]
at = "5m"
do = "fault"
value = -1
channel = "`+string(k.channel)+`"
mode = "`+k.mode+`"`)
			i, n := v.Wiring().Index(k.channel), 0
			every := int(v.Wiring()[i].Period / time.Second)
			play(t, v, func(r row) {
				if r.stamp.Up < 8*time.Minute || int(r.stamp.UpS())%every != 0 {
					return
				}
				if n++; !k.ok(r.readings[i]) {
					t.Fatalf("at %v: %v", r.stamp.Up, r.readings[i])
				}
			})
			if n < 60 {
				t.Fatalf("%d readings judged, want 60 and more", n)
			}
		})
	}
	t.Run("a stuck scale repeats itself", func(t *testing.T) {
		v := van(t, 1, "duration = \"20m\"\n[[events]]\nat = \"5m\"\ndo = \"fault\"\nchannel = \"load_counts\"\nmode = \"stuck\"")
		values := map[float64]int{}
		play(t, v, func(r row) {
			if r.stamp.Up >= 5*time.Minute {
				values[r.readings[0].Value]++
			}
		})
		if len(values) != 1 {
			t.Errorf("%d different codes from a stuck scale, want 1", len(values))
		}
	})
}

func TestTheOwnerKnowsTheCalibrationButNotTheTrueCoefficients(t *testing.T) {
	v := van(t, 5, `duration = "30m"
[van]
occupants = 0`)
	o := v.Owner()
	if math.Abs(v.scale.zeroTC) > o.ZeroTCGPerK || math.Abs(v.scale.spanTC) > o.SpanTCPPMPerK {
		t.Errorf("true coefficients %v g/K, %v ppm/K are beyond the sheet's %v and %v", v.scale.zeroTC, v.scale.spanTC, o.ZeroTCGPerK, o.SpanTCPPMPerK)
	}
	if o.ZeroTCGPerK == v.scale.zeroTC {
		t.Error("the owner knows the true coefficient")
	}
	if off := math.Abs(o.GasR0Ohm/v.sensor.r0Ohm - 1); off == 0 || off > 0.25 {
		t.Errorf("owner's R0 is off by %.3f, want a test mix's error", off)
	}
	play(t, v, func(r row) {
		if r.readings[0].Quality != sensors.Good {
			return
		}
		kg := (r.readings[0].Value - o.ZeroCounts) / o.CountsPerKg
		if off := kg - r.truth.TareKg - r.truth.FuelKg; math.Abs(off) > 0.05 {
			t.Fatalf("at %v the scale is off by %.0f g, want under 50 g", r.stamp.Up, 1000*off)
		}
	})
}

func TestASlowTickBurnsTheSameFuel(t *testing.T) {
	burned := map[string]float64{}
	for _, tick := range []string{"1s", "10s"} {
		v := van(t, 1, `duration = "48h"`, `tick = "`+tick+`"`)
		play(t, v, func(row) {})
		burned[tick] = v.Truth().BurnedKg
	}
	if off := burned["10s"]/burned["1s"] - 1; math.Abs(off) > 0.1 {
		t.Errorf("two days burn %v kg by tick, want them within 10 %%", burned)
	}
}

func TestTheOwnersActsComeInOrderAndWhole(t *testing.T) {
	v := van(t, 1, `duration = "3h"
[[events]]
at = "2h"
do = "operator"
mode = "shelve"
alarm = "supply-thin"
for = "1h"
[[events]]
at = "1h"
do = "operator"
mode = "expected-low"
c = -12`)
	want := []Act{{At: time.Hour, Do: ActExpectedLow, C: -12}, {At: 2 * time.Hour, Do: ActShelve, Alarm: "supply-thin", For: time.Hour}}
	if got := v.Operator(); !slices.Equal(got, want) {
		t.Errorf("acts %+v, want %+v", got, want)
	}
}

func BenchmarkRead(b *testing.B) {
	s, err := Load(strings.NewReader(`what = "endless"
duration = "1000000h"`), "bench")
	if err != nil {
		b.Fatal(err)
	}
	v := New(s, 1)
	into := make([]sensors.Reading, len(v.Wiring()))
	ctx := context.Background()
	b.ReportAllocs()
	for b.Loop() {
		if _, err := v.Read(ctx, into); err != nil {
			b.Fatal(err)
		}
	}
	b.ReportMetric(float64(b.N)/b.Elapsed().Seconds(), "ticks/s")
}

func TestATickAllocatesNothing(t *testing.T) {
	v := van(t, 1, `duration = "100h"`)
	into := make([]sensors.Reading, len(v.Wiring()))
	ctx := context.Background()
	got := testing.AllocsPerRun(5000, func() {
		if _, err := v.Read(ctx, into); err != nil {
			t.Fatal(err)
		}
		_ = v.Truth()
	})
	if got != 0 {
		t.Errorf("%v allocations a tick, want none", got)
	}
}
