package core

import (
	"bytes"
	"compress/gzip"
	"encoding/csv"
	"errors"
	"io"
	"math"
	"reflect"
	"strings"
	"testing"
	"time"

	"frostline/daemon/estimate"
	"frostline/sensors"
)

var someWiring = sensors.Wiring{
	{Channel: sensors.LoadCounts, Period: time.Second},
	{Channel: sensors.GasV, Period: time.Second},
	{Channel: sensors.LockerC, Period: 10 * time.Second},
}

func someInputs() []Input {
	wall := time.Date(2026, 11, 25, 6, 10, 0, 123e6, time.UTC)
	on := true
	return []Input{
		{Stamp: sensors.Stamp{Up: 86400 * time.Second, Wall: wall}, Boot: "a1",
			Readings: []sensors.Reading{sensors.Of(8911342), sensors.Of(0.612), sensors.Of(-3.4)}},
		{Stamp: sensors.Stamp{Up: 86401*time.Second + 250*time.Microsecond, Wall: wall.Add(time.Second)}, Boot: "a1",
			Readings: []sensors.Reading{sensors.Fault("timeout"), sensors.Of(0.1 + 0.2), {}},
			Command:  &Command{Actor: `the "owner", pressing`, Ack: "gas-leave"}},
		{Stamp: sensors.Stamp{Up: 2 * time.Second}, Boot: "a2", // power cut; the clock is not set
			Readings: []sensors.Reading{sensors.Of(-8388608), sensors.Of(1e-9), sensors.Of(math.Copysign(0, -1))},
			Command:  &Command{WeightWatch: &on}},
		{Stamp: sensors.Stamp{Up: 3 * time.Second}, Boot: "a2",
			Readings: []sensors.Reading{{}, {}, {}},
			Command:  &Command{Changed: &estimate.Change{TareKg: 7.9, FillKg: 6.8}}},
		{Stamp: sensors.Stamp{Up: 4 * time.Second}, Boot: "a2",
			Readings: []sensors.Reading{{}, {}, {}},
			Command:  &Command{Calibrated: &estimate.CalibrationStep{Weight: &estimate.KnownWeight{Kind: estimate.Water, VolumeL: 10, WaterC: 12.5}}}},
	}
}

func encode(t testing.TB, h Header, ins []Input) []byte {
	t.Helper()
	var b bytes.Buffer
	e, err := NewEncoder(&b, h)
	if err != nil {
		t.Fatal(err)
	}
	for _, in := range ins {
		if err := e.Encode(in); err != nil {
			t.Fatal(err)
		}
	}
	if err := e.Flush(); err != nil {
		t.Fatal(err)
	}
	return b.Bytes()
}

// decodeAll reads everything, keeping damaged lines as errors.
func decodeAll(t testing.TB, text []byte, w sensors.Wiring) (ins []Input, damage []error, head Header) {
	t.Helper()
	d, err := NewDecoder(bytes.NewReader(text), w)
	if err != nil {
		t.Fatal(err)
	}
	for {
		in, err := d.Next()
		var le *LineError
		switch {
		case err == nil:
			in.Readings = append([]sensors.Reading(nil), in.Readings...)
			ins = append(ins, in)
		case errors.As(err, &le):
			damage = append(damage, err)
		case errors.Is(err, io.EOF):
			return ins, damage, d.Header()
		default:
			return ins, append(damage, err), d.Header()
		}
	}
}

func TestARecordingReadsBackToTheSameInputs(t *testing.T) {
	h := NewHeader(someWiring)
	h.What, h.Where, h.Who, h.Board, h.Why = "gas at breakfast", "a pass", "we", "a board: small", "to keep"
	h.Config, h.Boot, h.Checkpoint = "00ff", "a1", []byte(`{"version": 1}`)
	want := someInputs()
	text := encode(t, h, want)
	var zipped bytes.Buffer
	z := gzip.NewWriter(&zipped)
	z.Write(text)
	z.Close()
	for name, b := range map[string][]byte{"plain": text, "gzip": zipped.Bytes()} {
		got, damage, head := decodeAll(t, b, someWiring)
		if len(damage) > 0 || !reflect.DeepEqual(got, want) {
			t.Errorf("%s: got %+v (%v), want %+v", name, got, damage, want)
		}
		if math.Signbit(got[2].Readings[2].Value) != true {
			t.Errorf("%s: minus zero came back as zero", name)
		}
		if head.What != h.What || head.Board != h.Board || head.Config != h.Config || string(head.Checkpoint) != `{"version":1}` {
			t.Errorf("%s: header %+v, want %+v", name, head, h)
		}
		if again := encode(t, head, got); !bytes.Equal(again, text) {
			t.Errorf("%s: written again it differs:\n%s\n%s", name, again, text)
		}
	}
}

func TestARecordingOpensInASpreadsheet(t *testing.T) {
	r := csv.NewReader(bytes.NewReader(encode(t, NewHeader(someWiring), someInputs())))
	r.Comment = '#'
	rows, err := r.ReadAll()
	if err != nil {
		t.Fatalf("not RFC 4180: %v", err)
	}
	if len(rows) != 1+len(someInputs()) || rows[0][2] != "load_counts" || rows[2][2] != "!timeout" {
		t.Errorf("got %q", rows)
	}
}

func TestDamagedLinesAreNamedAndSkipped(t *testing.T) {
	const head = recordingMagic + "\nup_s,wall,load_counts,gas_v,command\n" // rows begin at line 3
	for name, c := range map[string]struct {
		row  string
		line int
		want string
	}{
		"too few cells":      {"2,,5\n", 4, "3 cells, the header has 5"},
		"no number":          {"2,,5x,0.6,\n", 4, `"5x" is not a number`},
		"a word for nothing": {"2,,NaN,0.6,\n", 4, `"NaN" is not a number`},
		"hexadecimal":        {"2,,0x10,0.6,\n", 4, "is not a number"},
		"a long fault":       {"2,,!Bad Word,0.6,\n", 4, "one lower-case word"},
		"time goes back":     {"0.5,,5,0.6,\n", 4, "up_s 0.5 does not follow 1"},
		"no time":            {",,5,0.6,\n", 4, "want seconds since start"},
		"a wall of nonsense": {"2,yesterday,5,0.6,\n", 4, "want RFC 3339"},
		"a torn quote":       {"2,,5,0.6,\"{\n", 4, "csv"},
		"a command unknown":  {"2,,5,0.6,\"{\"\"boom\"\":1}\"\n", 4, "unknown field"},
		"a line too long":    {"2,," + strings.Repeat("9", maxLine) + ",0.6,\n", 4, "longer than"},
	} {
		text := head + "1,,5,0.6,\n" + c.row + "3,,6,0.7,\n"
		got, damage, _ := decodeAll(t, []byte(text), someWiring)
		if len(got) != 2 || got[1].Readings[0].Value != 6 {
			t.Errorf("%s: want the rows around it, got %+v", name, got)
		}
		var le *LineError
		if len(damage) != 1 || !errors.As(damage[0], &le) || le.Line != c.line || !strings.Contains(le.Error(), c.want) {
			t.Errorf("%s: got %v, want line %d: ...%s...", name, damage, c.line, c.want)
		}
	}
}

func TestATruncatedRecordingSaysSo(t *testing.T) {
	text := encode(t, NewHeader(someWiring), someInputs())
	got, damage, _ := decodeAll(t, text[:len(text)-9], someWiring)
	if len(got) != len(someInputs())-1 || len(damage) != 1 || !strings.Contains(damage[0].Error(), "cut off") {
		t.Errorf("plain: %d rows, %v", len(got), damage)
	}
	var zipped bytes.Buffer
	z := gzip.NewWriter(&zipped)
	z.Write(text)
	z.Close()
	_, damage, _ = decodeAll(t, zipped.Bytes()[:zipped.Len()-12], someWiring)
	if len(damage) == 0 || !errors.Is(damage[len(damage)-1], io.ErrUnexpectedEOF) {
		t.Errorf("gzip: %v", damage)
	}
}

func TestColumnsTheProgramDoesNotKnowAreRefusedByName(t *testing.T) {
	text := recordingMagic + "\nup_s,wall,load_counts,humour_pct,command\n1,,5,6,\n"
	_, err := NewDecoder(strings.NewReader(text), someWiring)
	var un *UnknownChannels
	if !errors.As(err, &un) || len(un.Names) != 1 || un.Names[0] != "humour_pct" {
		t.Errorf("got %v", err)
	}
	text = strings.Replace(text, "humour_pct", "baro_kpa", 1)
	d, err := NewDecoder(strings.NewReader(text), someWiring)
	if err != nil {
		t.Fatal(err)
	}
	if un := d.Header().Unwired(someWiring); len(un) != 1 || un[0] != sensors.BaroKPa {
		t.Errorf("want baro_kpa named as not wired, got %v", un)
	}
	for _, bad := range []string{"", "hello\n", recordingMagic + "\n", recordingMagic + "\nwall,up_s\n",
		recordingMagic + "\nup_s,wall,gas_v,gas_v\n", recordingMagic + "\n# checkpoint: {\nup_s,wall\n"} {
		if _, err := NewDecoder(strings.NewReader(bad), someWiring); err == nil {
			t.Errorf("%q was taken for a recording", bad)
		}
	}
}

func TestEncodingRefusesWhatItCouldNotReadBack(t *testing.T) {
	e, err := NewEncoder(io.Discard, NewHeader(someWiring))
	if err != nil {
		t.Fatal(err)
	}
	if err := e.Encode(Input{Readings: make([]sensors.Reading, 2)}); err == nil {
		t.Error("a row of another width was written")
	}
	if err := e.Encode(Input{Readings: []sensors.Reading{sensors.Fault("two words"), {}, {}}}); err == nil {
		t.Error("a fault of two words was written")
	}
}

func FuzzDecoder(f *testing.F) {
	f.Add(encode(f, NewHeader(someWiring), someInputs()))
	f.Add([]byte(recordingMagic + "\nup_s,wall,load_counts,command\n1,,5,\n2,2026-01-01T00:00:00Z,!crc,\"{\"\"ack\"\":\"\"x\"\"}\"\n"))
	f.Add([]byte{0x1f, 0x8b, 8, 0})
	f.Fuzz(func(t *testing.T, text []byte) {
		d, err := NewDecoder(bytes.NewReader(text), someWiring)
		if err != nil {
			return
		}
		var last Input
		any := false
		for range 10000 {
			in, err := d.Next()
			var le *LineError
			if errors.As(err, &le) {
				continue
			}
			if err != nil {
				return
			}
			for _, r := range in.Readings {
				if math.IsNaN(r.Value) || math.IsInf(r.Value, 0) || (r.Quality == sensors.Bad) != (r.Fault != "") {
					t.Fatalf("impossible reading %+v", r)
				}
			}
			if any && in.Boot == last.Boot && in.Stamp.Up <= last.Stamp.Up {
				t.Fatalf("time went from %v to %v", last.Stamp.Up, in.Stamp.Up)
			}
			e, err := NewEncoder(io.Discard, d.Header())
			if err != nil {
				t.Fatal(err)
			}
			if len(d.Header().Columns) == len(in.Readings) {
				if err := e.Encode(in); err != nil {
					t.Fatalf("a decoded row cannot be written: %v", err)
				}
			}
			last, any = Input{Stamp: in.Stamp, Boot: in.Boot}, true
		}
	})
}

func FuzzCommand(f *testing.F) {
	f.Add([]byte(`{"ack":"gas-leave","actor":"owner"}`))
	f.Add([]byte(`{"cylinder_changed":{"tare_kg":-3}}`))
	f.Add([]byte(`{"shelve":{"alarm":"x","for_s":1e9}}`))
	f.Add([]byte(`{"wall_set":{"wall":"2026-01-14T16:30:00.25Z"}}`))
	f.Add([]byte(`{"cylinder_changed":{"blend":"mix"}}`))
	f.Add([]byte(`{"change_undone":true}`))
	f.Add([]byte(`{"collar_read":{"tare_kg":8,"requalify_by":"2031-05"}}`))
	f.Add([]byte(`{"joint_checked":{"joint":"pigtail","result":"bubbles"}}`))
	f.Add([]byte(`{"alarm_answered":{"card":4,"choice":"test","text":"a drill"}}`))
	f.Add([]byte(`{"night_window":{"from":"18:00","to":"10:00"}}`))
	f.Fuzz(func(t *testing.T, b []byte) {
		c, err := ParseCommand(b)
		if err != nil {
			return
		}
		if c.Verb() == "" {
			t.Fatalf("%q was taken without exactly one verb", b)
		}
		if ch := c.Changed; ch != nil && (ch.TareKg < 0 || ch.FillKg < 0 || ch.CapacityKg < 0) {
			t.Fatalf("%q: a negative mass was taken", b)
		}
	})
}
