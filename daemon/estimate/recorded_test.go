package estimate

import (
	"compress/gzip"
	"encoding/csv"
	"errors"
	"io"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"testing"
	"time"

	"frostline/sensors"
)

// recordedTick is one row of a recording. This package sits below the codec of the core,
// so its tests read the CSV themselves.
type recordedTick struct {
	st sensors.Stamp
	r  []sensors.Reading
}

// recordedVan reads the boots of a recording in the repository's testdata.
func recordedVan(t *testing.T, name string) (sensors.Wiring, [][]recordedTick) {
	t.Helper()
	files, err := filepath.Glob(filepath.Join("../../testdata/recordings", name, "boot-*.csv.gz"))
	if err != nil || len(files) == 0 {
		t.Fatalf("no recording %s in testdata (%v)", name, err)
	}
	slices.Sort(files)
	var w sensors.Wiring
	var boots [][]recordedTick
	for _, file := range files {
		rows := recordedRows(t, file)
		head := rows[0][2:slices.Index(rows[0], "command")]
		if w == nil {
			for _, ch := range head {
				w = append(w, sensors.Wire{Channel: sensors.Channel(ch), Period: recordedPeriod(sensors.Channel(ch))})
			}
		}
		var boot []recordedTick
		for _, row := range rows[1:] {
			upS, err1 := strconv.ParseFloat(row[0], 64)
			wall, err2 := time.Parse(time.RFC3339Nano, row[1])
			if err := errors.Join(err1, err2); err != nil {
				t.Fatal(err)
			}
			k := recordedTick{sensors.Stamp{Up: time.Duration(upS * float64(time.Second)), Wall: wall}, make([]sensors.Reading, len(w))}
			for i, ch := range head {
				k.r[w.Index(sensors.Channel(ch))] = recordedCell(t, row[2+i])
			}
			boot = append(boot, k)
		}
		boots = append(boots, boot)
	}
	return w, boots
}

func recordedRows(t *testing.T, file string) [][]string {
	t.Helper()
	f, err := os.Open(file)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	z, err := gzip.NewReader(f)
	if err != nil {
		t.Fatal(err)
	}
	c := csv.NewReader(io.Reader(z))
	c.Comment = '#'
	rows, err := c.ReadAll()
	if err != nil || len(rows) < 2 {
		t.Fatalf("%s: %d rows, %v", file, len(rows), err)
	}
	return rows
}

func recordedCell(t *testing.T, cell string) sensors.Reading {
	t.Helper()
	if cell == "" {
		return sensors.Reading{}
	}
	if cell[0] == '!' {
		return sensors.Fault(cell[1:])
	}
	v, err := strconv.ParseFloat(cell, 64)
	if err != nil {
		t.Fatal(err)
	}
	return sensors.Of(v)
}

func recordedPeriod(ch sensors.Channel) time.Duration {
	switch {
	case ch.IsTemp():
		return 10 * time.Second
	case ch == sensors.BaroKPa:
		return time.Minute
	}
	return time.Second
}

// recordedParams is what both recorded vans have in common: load cell and gas divider.
func recordedParams(countsPerKg, zero, capacityKg float64) Params {
	return Params{
		Scale: Scale{CountsPerKg: countsPerKg, ZeroCounts: zero, CapacityKg: capacityKg},
		Gas:   Gas{SupplyV: 5, LoadOhm: 10000},
	}
}

func TestTheFaultsOfNoisyWiresAreFoundAndNoOthers(t *testing.T) {
	w, boots := recordedVan(t, "noisy-wires")
	p := recordedParams(43218.3, -97482, 50)
	c, g, ck := newConditioner(w, p), newGasWatch(p.Gas, w), newClock(w)
	var got []qualityLine
	untrusted, steps := 0, 0
	for b, boot := range boots {
		for _, k := range boot {
			state, fresh := c.step(k.st, k.r)
			var e Estimates
			g.step(k.st, state, fresh, &e)
			legalGas(t, &e)
			for _, h := range c.happened() {
				got = append(got, qualityLine{b + 1, k.st.UpS(), sensors.Channel(h.Channel), h.Quality})
			}
			if stuck := b == 1 && k.st.UpS() > 19445+101 && k.st.UpS() < 20400; stuck && e.Band != Blind {
				t.Fatalf("up %v: gas code stuck, band %s", k.st.UpS(), e.Band)
			}
			if rank := e.GasLevel; rank == Trace || rank == Warning || rank == Leave {
				t.Fatalf("up %v: gas level %s, and there was none", k.st.UpS(), rank)
			}
			trusted, stepS, stepped := ck.step(k.st, state)
			if stepped {
				if steps++; b != 1 || k.st.UpS() != 1440 || stepS != 10800 {
					t.Errorf("boot %d up %v: clock step of %v s, want 10800 at 1440 of the second", b+1, k.st.UpS(), stepS)
				}
			}
			if !trusted {
				untrusted++
			}
		}
	}
	if steps != 1 || untrusted != 1440 {
		t.Errorf("%d clock steps and %d untrusted ticks, want 1 and the 1440 of the late clock", steps, untrusted)
	}
	foundInTime(t, got)
}

// qualityLine is one line of the log about a channel.
type qualityLine struct {
	boot    int
	upS     float64
	channel sensors.Channel
	quality string
}

// foundInTime compares the lines with what the recording's own list of events says, in
// seconds of each boot, and with how long the rule for it may take.
func foundInTime(t *testing.T, got []qualityLine) {
	t.Helper()
	for _, f := range []struct {
		what    string
		boot    int
		fromS   float64
		minutes float64
		channel sensors.Channel
		quality string
		withinS float64
	}{
		{"scale silent", 1, 9360, 5, sensors.LoadCounts, "missing", 7},
		{"scale stuck", 1, 18000, 14, sensors.LoadCounts, "bad", 26},
		{"outside stuck", 1, 29519, 30, sensors.OutsideC, "suspect", 920},
		{"scale timeout", 1, 34200, 4, sensors.LoadCounts, "bad", 5},
		{"gas stuck", 2, 19440, 16, sensors.GasV, "bad", 102},
		{"scale crc", 2, 23400, 18, sensors.LoadCounts, "bad", 5},
	} {
		found, well := false, false
		got = slices.DeleteFunc(got, func(l qualityLine) bool {
			if l.boot != f.boot || l.channel != f.channel || l.upS < f.fromS || l.upS > f.fromS+60*f.minutes+30 {
				return false
			}
			found = found || l.quality == f.quality && l.upS <= f.fromS+f.withinS
			well = well || l.quality == "good" && l.upS >= f.fromS+60*f.minutes
			return true
		})
		if !found || !well {
			t.Errorf("%s at %v s of boot %d: found %v, well again %v", f.what, f.fromS, f.boot, found, well)
		}
	}
	if len(got) > 0 {
		t.Errorf("lines that no fault explains: %+v", got)
	}
}

func TestAColdSensorAndAlcoholInTheGalleyAlarmNobody(t *testing.T) {
	w, boots := recordedVan(t, "galley")
	p := recordedParams(143320.16, -16878, 30)
	c, g := newConditioner(w, p), newGasWatch(p.Gas, w)
	trace := 0
	for _, k := range boots[0] {
		state, fresh := c.step(k.st, k.r)
		var e Estimates
		g.step(k.st, state, fresh, &e)
		legalGas(t, &e)
		if e.Band != Blind && e.Band != Background || e.GasHold == Warning || e.GasHold == Leave {
			t.Fatalf("up %v: band %s, held at %s", k.st.UpS(), e.Band, e.GasHold)
		}
		if blind := e.Band == Blind; blind != (k.st.UpS() < 1201) || blind != e.WarmingUp {
			t.Fatalf("up %v: %s (%s), warming %v; want blind until the first reference", k.st.UpS(), e.Band, e.BandWhy, e.WarmingUp)
		}
		if e.GasLevel == Trace {
			trace++
		}
	}
	// The alcohol of the evening stands above the trace level for 166 s; trace shows after 300.
	if trace < 10 || trace > 300 {
		t.Errorf("%d ticks at trace from alcohol, want some and under five minutes", trace)
	}
}
