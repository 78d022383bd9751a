package core_test

import (
	"bytes"
	"encoding/json"
	"errors"
	"flag"
	"fmt"
	"io"
	"math"
	"os"
	"path/filepath"
	"reflect"
	"runtime"
	"testing"

	"frostline/config"
	"frostline/daemon/core"
	"frostline/sensors"
)

var update = flag.Bool("update", false, "rewrite the expected events; the commit explains every changed line")

// TestRecordings judges the recordings kept beside the code and compares their events with
// what they were. On the CPU the expectation was written on the bytes are equal; on another
// the events are the same and their numbers agree (fused multiply-add differs between CPUs).
func TestRecordings(t *testing.T) {
	dirs, err := filepath.Glob("../../testdata/recordings/*")
	if err != nil || len(dirs) == 0 {
		t.Fatalf("no recordings: %v", err)
	}
	for _, dir := range dirs {
		name := filepath.Base(dir)
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			got := judge(t, filepath.Join("../../testdata/vans", name+".toml"), dir)
			want := filepath.Join(dir, "events.jsonl")
			if *update {
				if err := os.WriteFile(want, got, 0o644); err != nil {
					t.Fatal(err)
				}
				return
			}
			expected, err := os.ReadFile(want)
			if err != nil {
				t.Fatal(err)
			}
			if diff := compareEvents(got, expected, runtime.GOARCH == "amd64"); diff != "" {
				t.Errorf("%s; if that is right, rewrite with -update and explain each line in the commit", diff)
			}
		})
	}
}

func judge(t *testing.T, conf, dir string) []byte {
	t.Helper()
	cfg, err := config.Load(conf)
	if err != nil {
		t.Fatal(err)
	}
	c := core.New(cfg.Core)
	var out bytes.Buffer
	lines := json.NewEncoder(&out)
	eachInput(t, dir, cfg.Core.Wiring, func(in core.Input) {
		s := c.Step(in)
		for i := range s.Events {
			if err := lines.Encode(s.Events[i]); err != nil {
				t.Fatal(err)
			}
		}
	})
	return out.Bytes()
}

// eachInput shows every tick of the boots of a recording, in order.
func eachInput(t *testing.T, dir string, w sensors.Wiring, see func(core.Input)) {
	t.Helper()
	boots, err := filepath.Glob(filepath.Join(dir, "boot-*.csv.gz"))
	if err != nil || len(boots) == 0 {
		t.Fatalf("%s: no boots: %v", dir, err)
	}
	for _, name := range boots {
		f, err := os.Open(name)
		if err != nil {
			t.Fatal(err)
		}
		defer f.Close()
		d, err := core.NewDecoder(f, w)
		if err != nil {
			t.Fatal(err)
		}
		for {
			in, err := d.Next()
			if errors.Is(err, io.EOF) {
				break
			}
			if err != nil {
				t.Fatalf("%s: %v", name, err)
			}
			if in.Boot == "" {
				in.Boot = filepath.Base(name)
			}
			see(in)
		}
	}
}

// compareEvents says where two event files part, or nothing.
func compareEvents(got, want []byte, exact bool) string {
	g, w := bytes.Split(got, []byte("\n")), bytes.Split(want, []byte("\n"))
	for i := range min(len(g), len(w)) {
		if bytes.Equal(g[i], w[i]) || !exact && nearly(g[i], w[i]) {
			continue
		}
		return fmt.Sprintf("event %d:\n got %s\nwant %s", i+1, g[i], w[i])
	}
	if len(g) != len(w) {
		return fmt.Sprintf("%d events, want %d", len(g)-1, len(w)-1)
	}
	return ""
}

// nearly compares two events of different CPUs: the same fields, numbers within a per mille
// and a second. Free text holds printed numbers and is not compared.
func nearly(a, b []byte) bool {
	var x, y map[string]any
	if json.Unmarshal(a, &x) != nil || json.Unmarshal(b, &y) != nil || len(x) != len(y) {
		return false
	}
	for k, v := range x {
		u, ok := y[k]
		if !ok {
			return false
		}
		p, isNumber := v.(float64)
		q, too := u.(float64)
		switch {
		case k == "why" || k == "wall":
		case isNumber && too:
			if math.Abs(p-q) > math.Max(1, 1e-3*math.Abs(q)) {
				return false
			}
		case !reflect.DeepEqual(v, u):
			return false
		}
	}
	return true
}

func TestComparingEventsNoticesADifference(t *testing.T) {
	a := []byte(`{"up_s":10,"kind":"alarm","id":"gas-leave","to":"unacknowledged","why":"10 %"}` + "\n")
	for name, b := range map[string]string{
		"another state": `{"up_s":10,"kind":"alarm","id":"gas-leave","to":"normal","why":"10 %"}` + "\n",
		"another time":  `{"up_s":13,"kind":"alarm","id":"gas-leave","to":"unacknowledged","why":"10 %"}` + "\n",
		"a line more":   string(a) + string(a),
		"nothing":       "",
	} {
		if compareEvents(a, []byte(b), false) == "" {
			t.Errorf("%s went unnoticed", name)
		}
	}
	if d := compareEvents(a, bytes.Replace(a, []byte("10 %"), []byte("11 %"), 1), false); d != "" {
		t.Errorf("on another CPU a printed number may differ: %s", d)
	}
	if compareEvents(a, bytes.Replace(a, []byte("10 %"), []byte("11 %"), 1), true) == "" {
		t.Error("on the same CPU every byte counts")
	}
}
