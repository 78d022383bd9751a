package estimate

import (
	"compress/gzip"
	"encoding/csv"
	"encoding/json"
	"errors"
	"io"
	"os"
	"path/filepath"
	"sort"
	"strconv"
	"strings"
	"testing"
	"time"

	"frostline/sensors"
)

// tracesDir holds recordings of other vans with their truth; they are not part of the
// repository.
const tracesDir = "../../../shared/traces"

// van is what an owner knows of a recorded van.
type van struct {
	Scale struct {
		CountsPerKg    float64 `json:"counts_per_kg"`
		ZeroCounts     float64 `json:"zero_counts"`
		CalibratedAtC  float64 `json:"calibrated_at_c"`
		CellCapacityKg float64 `json:"cell_capacity_kg"`
		ZeroTCGPerK    float64 `json:"zero_tc_limit_g_per_k"`
		SpanTCPPMPerK  float64 `json:"span_tc_limit_ppm_per_k"`
		CreepPct30min  float64 `json:"creep_limit_pct_30min"`
		RecordEveryS   float64 `json:"record_every_s"`
	} `json:"scale"`
	Cylinder struct {
		StampedTareKg float64 `json:"stamped_tare_kg"`
		TareSDKg      float64 `json:"tare_sd_kg"`
		CapacityKg    float64 `json:"capacity_kg"`
	} `json:"cylinder"`
	Appliances []struct {
		Name    string  `json:"name"`
		Kind    string  `json:"kind"`
		RatedKW float64 `json:"rated_kw"`
		MinKW   float64 `json:"min_kw"`
	} `json:"appliances"`
	Gas struct {
		SupplyV float64 `json:"supply_v"`
		LoadOhm float64 `json:"load_ohm"`
	} `json:"gas"`
}

func (v *van) params() Params {
	p := Params{
		Scale: Scale{CountsPerKg: v.Scale.CountsPerKg, ZeroCounts: v.Scale.ZeroCounts, CalibratedAtC: v.Scale.CalibratedAtC,
			CapacityKg: v.Scale.CellCapacityKg, ZeroTCGPerK: v.Scale.ZeroTCGPerK, SpanTCPPMPerK: v.Scale.SpanTCPPMPerK,
			CreepPct30min: v.Scale.CreepPct30min},
		Cylinder: Cylinder{TareKg: v.Cylinder.StampedTareKg, TareSDKg: v.Cylinder.TareSDKg, CapacityKg: v.Cylinder.CapacityKg, PropaneMassFrac: 1},
		Gas:      Gas{SupplyV: v.Gas.SupplyV, LoadOhm: v.Gas.LoadOhm},
	}
	for _, a := range v.Appliances {
		p.Appliances = append(p.Appliances, Appliance{Name: a.Name, Kind: ApplianceKind(a.Kind), RatedKW: a.RatedKW, MinKW: a.MinKW})
	}
	return p
}

// truthRow is a minute of what really happened.
type truthRow struct {
	at                              time.Time
	fuel, burn, heater, stove, leak float64
	present, moving                 bool
	tare                            float64
	liquidC, supplyFrac             float64
}

// rows calls f with every row of a CSV, gzipped or not, and the index of each column.
func rows(t *testing.T, path string, f func(col map[string]int, row []string)) {
	t.Helper()
	file, err := os.Open(path)
	if err != nil {
		t.Fatal(err)
	}
	defer file.Close()
	var r io.Reader = file
	if strings.HasSuffix(path, ".gz") {
		z, err := gzip.NewReader(file)
		if err != nil {
			t.Fatal(err)
		}
		r = z
	}
	c := csv.NewReader(r)
	c.Comment, c.ReuseRecord, c.FieldsPerRecord = '#', true, -1
	col := map[string]int{}
	for {
		row, err := c.Read()
		if errors.Is(err, io.EOF) {
			return
		}
		if err != nil {
			t.Fatal(err)
		}
		if len(col) == 0 {
			for i, name := range row {
				col[name] = i
			}
			continue
		}
		f(col, row)
	}
}

func number(t *testing.T, s string) float64 {
	v, err := strconv.ParseFloat(s, 64)
	if err != nil {
		t.Fatal(err)
	}
	return v
}

func readTruth(t *testing.T, dir string) []truthRow {
	var out []truthRow
	rows(t, filepath.Join(dir, "truth.csv.gz"), func(col map[string]int, row []string) {
		num := func(name string) float64 { return number(t, row[col[name]]) }
		at, err := time.Parse(time.RFC3339, row[col["time"]])
		if err != nil {
			t.Fatal(err)
		}
		out = append(out, truthRow{at, num("fuel_kg"), num("burn_kg_h") + num("leak_kg_h"), num("heater_on"), num("stove_kw"), num("leak_kg_h"),
			num("cylinder_present") == 1, num("moving") == 1, num("tare_kg"), num("liquid_temp_c"), num("supply")})
	})
	return out
}

// happened is something that happened, at true time.
type happened struct {
	at time.Time
	Happening
}

// playback runs one recorded van through an Estimator, boot after boot, and calls each
// with every tick at true time. start is the true time of each boot.
func playback(t *testing.T, name string, each func(at time.Time, e *Estimates)) (events []happened) {
	t.Helper()
	dir := filepath.Join(tracesDir, name)
	raw, err := os.ReadFile(filepath.Join(dir, "van.json"))
	if err != nil {
		if os.Getenv("FROSTLINE_NO_SKIP") == "" {
			t.Skipf("no recordings: %v", err)
		}
		t.Fatal(err)
	}
	var v van
	if err := json.Unmarshal(raw, &v); err != nil {
		t.Fatal(err)
	}
	files, _ := filepath.Glob(filepath.Join(dir, "boot-*.csv.gz"))
	if len(files) == 0 {
		files = []string{filepath.Join(dir, "recording.csv.gz")}
	}
	sort.Strings(files)
	var state *State
	for i, f := range files {
		started := bootStart(t, f)
		var est *Estimator
		var wiring sensors.Wiring
		var cells []int
		var buf []sensors.Reading
		rows(t, f, func(col map[string]int, row []string) {
			if est == nil {
				wiring, cells = recordedWiring(col, v.Scale.RecordEveryS)
				buf = make([]sensors.Reading, len(wiring))
				est = New(wiring, v.params())
				if state != nil {
					est.Restore(*state, -1, 0, true)
				}
			}
			up := number(t, row[col["up_s"]])
			wall, err := time.Parse(time.RFC3339, row[col["wall"]])
			if err != nil {
				t.Fatal(err)
			}
			for k, c := range cells {
				buf[k] = cellReading(t, row[c])
			}
			upD := time.Duration(up * float64(time.Second))
			at := started.Add(upD)
			e := est.Step(sensors.Stamp{Up: upD, Wall: wall}, buf)
			for _, h := range e.Happened {
				events = append(events, happened{at, h})
			}
			each(at, e)
		})
		if i+1 < len(files) {
			s := est.Save()
			b, err := json.Marshal(s)
			if err != nil {
				t.Fatal(err)
			}
			state = new(State)
			if err := json.Unmarshal(b, state); err != nil {
				t.Fatal(err)
			}
		}
	}
	return events
}

// bootStart is the true start of a boot, from the comment above its header.
func bootStart(t *testing.T, path string) time.Time {
	f, err := os.Open(path)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	z, err := gzip.NewReader(f)
	if err != nil {
		t.Fatal(err)
	}
	head := make([]byte, 512)
	n, _ := io.ReadFull(z, head)
	_, after, ok := strings.Cut(string(head[:n]), "started: ")
	if !ok {
		t.Fatalf("%s: no start in the comments", path)
	}
	at, err := time.Parse(time.RFC3339, strings.Fields(after)[0])
	if err != nil {
		t.Fatal(err)
	}
	return at
}

func recordedWiring(col map[string]int, everyS float64) (w sensors.Wiring, cells []int) {
	for _, ch := range sensors.Known() {
		i, ok := col[string(ch)]
		if !ok {
			continue
		}
		period := time.Duration(everyS * float64(time.Second))
		switch {
		case ch.IsTemp(), ch == sensors.HumidityPct:
			period = max(period, 10*time.Second)
		case ch == sensors.BaroKPa:
			period = max(period, time.Minute)
		case ch.IsSwitch():
			period = 5 * time.Minute
		}
		w = append(w, sensors.Wire{Channel: ch, Period: period})
		cells = append(cells, i)
	}
	return w, cells
}

func cellReading(t *testing.T, s string) sensors.Reading {
	switch {
	case s == "":
		return sensors.Reading{}
	case s[0] == '!':
		return sensors.Fault(s[1:])
	}
	return sensors.Of(number(t, s))
}

// logged reads the events of a recorded van: true times by kind.
func logged(t *testing.T, name string) map[string][]time.Time {
	out := map[string][]time.Time{}
	rows(t, filepath.Join(tracesDir, name, "events.csv"), func(col map[string]int, row []string) {
		at, err := time.Parse(time.RFC3339, row[col["time"]])
		if err != nil {
			t.Fatal(err)
		}
		out[row[col["kind"]]] = append(out[row[col["kind"]]], at)
	})
	return out
}
