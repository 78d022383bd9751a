package main

import (
	"context"
	"errors"
	"io"
	"io/fs"
	"log/slog"
	"math/rand/v2"
	"net/http"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"frostline/alerts"
	"frostline/daemon"
	"frostline/daemon/core"
	"frostline/daemon/estimate"
	"frostline/daemon/web"
	"frostline/sensors"
)

// fastVan is a daemon of its own in this process, with a scale and a gas sensor that a test
// holds in its hands, a hundred times faster than time. Its control socket is a real one.
type fastVan struct {
	mu    sync.Mutex
	kg    float64
	volts float64
	up    time.Duration
	still bool // its time nearly stands, whatever a busy machine takes; ticks go on
	rng   *rand.Rand

	dir     string
	drilled []string
}

var fastWiring = sensors.Wiring{
	{Channel: sensors.LoadCounts, Period: time.Second},
	{Channel: sensors.GasV, Period: time.Second},
	{Channel: sensors.LockerC, Period: time.Second},
}

func (v *fastVan) Read(_ context.Context, into []sensors.Reading) (sensors.Stamp, error) {
	v.mu.Lock()
	defer v.mu.Unlock()
	if v.still {
		v.up += time.Millisecond
	} else {
		v.up += time.Second
	}
	into[0] = sensors.Of(float64(int(52000 + 42900*v.kg + 20*v.rng.NormFloat64())))
	into[1] = sensors.Of(v.volts + 0.0005*v.rng.NormFloat64())
	into[2] = sensors.Of(12.5)
	return sensors.Stamp{Up: v.up, Wall: time.Date(2026, 11, 1, 12, 0, 0, 0, time.UTC).Add(v.up)}, nil
}

// set changes the world and lets it be so for a while of its own time, as a person does.
func (v *fastVan) set(kg, volts float64) {
	v.mu.Lock()
	v.kg, v.volts = kg, volts
	till := v.up + 30*time.Second
	v.mu.Unlock()
	for passed := false; !passed; time.Sleep(time.Millisecond) {
		v.mu.Lock()
		passed = v.up >= till
		v.mu.Unlock()
	}
}

// stand makes its time stand nearly still, or go on.
func (v *fastVan) stand(still bool) {
	v.mu.Lock()
	defer v.mu.Unlock()
	v.still = still
}

// startFastVan lives until the test ends.
func startFastVan(t *testing.T, kg float64, scale estimate.Scale) *fastVan {
	t.Helper()
	v := &fastVan{kg: kg, volts: 0.6, rng: rand.New(rand.NewPCG(3, 4)), dir: t.TempDir()}
	scale.CapacityKg = 50
	c := core.New(core.Params{Wiring: fastWiring, Setpoints: alerts.Setpoints{Sounder: true}, Estimate: estimate.Params{
		Scale: scale, Cylinder: estimate.Cylinder{TareKg: 7.7, CapacityKg: 9.1}, Gas: estimate.Gas{SupplyV: 5, LoadOhm: 20000}}})
	var loop *daemon.Loop
	page := web.New(web.Options{Open: true, Command: func(ctx context.Context, cmd core.Command) error { return loop.Do(ctx, cmd) },
		Drill: func(sound string) (time.Duration, error) {
			v.mu.Lock()
			defer v.mu.Unlock()
			v.drilled = append(v.drilled, sound)
			return time.Millisecond, nil
		}})
	loop = daemon.NewLoop(daemon.Options{Core: c, Wiring: fastWiring, Source: v, Outputs: []daemon.Output{page},
		Boot: func() string { return "fast" }, Pace: 5 * time.Millisecond, Log: slog.New(slog.DiscardHandler)})
	ln, err := listenControl(v.dir)
	if err != nil {
		t.Fatal(err)
	}
	srv := &http.Server{Handler: page.Board()}
	ctx, stop := context.WithCancel(context.Background())
	var wg sync.WaitGroup
	wg.Go(func() { srv.Serve(ln) })
	wg.Go(func() { loop.Run(ctx) })
	t.Cleanup(func() {
		srv.Close()
		stop()
		wg.Wait()
	})
	v.until(t, "a first tick", func(_, _ string, upS float64) bool { return upS > 30 })
	return v
}

// until waits for something to be true of the van.
func (v *fastVan) until(t *testing.T, what string, ok func(presence, fuelWhy string, upS float64) bool) {
	t.Helper()
	c := newControl(v.dir)
	for deadline := time.Now().Add(patience); time.Now().Before(deadline); time.Sleep(10 * time.Millisecond) {
		var s struct {
			Stamp struct {
				UpS float64 `json:"up_s"`
			} `json:"stamp"`
			Van     struct{ Cylinder string } `json:"van"`
			Numbers map[string]struct {
				Why string
			} `json:"numbers"`
		}
		if c.ask(t.Context(), "GET", "/api/snapshot", nil, &s) == nil && ok(s.Van.Cylinder, s.Numbers["fuel_kg"].Why, s.Stamp.UpS) {
			return
		}
	}
	t.Fatalf("never: %s", what)
}

// line is what a person does and types when they read a text.
type line struct {
	reads string
	does  func()
	types string
}

// reader is a person in front of the program: it reads what is written and types answers.
type reader struct {
	mu    sync.Mutex
	text  strings.Builder
	from  int
	lines []line
	keys  chan string
}

func (r *reader) Write(b []byte) (int, error) {
	r.mu.Lock()
	defer r.mu.Unlock()
	r.text.Write(b)
	if len(r.lines) > 0 {
		if i := strings.Index(r.text.String()[r.from:], r.lines[0].reads); i >= 0 {
			l := r.lines[0]
			r.from, r.lines = r.from+i+len(l.reads), r.lines[1:]
			if l.does != nil {
				l.does()
			}
			r.keys <- l.types + "\n"
		}
	}
	return len(b), nil
}

// talk runs a command with a person before it, and returns its exit code and all that was
// said.
func talk(t *testing.T, lines []line, args ...string) (code int, said string) {
	t.Helper()
	r := &reader{lines: lines, keys: make(chan string, len(lines)+1)}
	in, typed := io.Pipe()
	go func() {
		for k := range r.keys {
			io.WriteString(typed, k)
		}
		typed.Close()
	}()
	if len(lines) == 0 {
		close(r.keys)
	}
	ctx, cancel := context.WithTimeout(t.Context(), patience)
	defer cancel()
	code = dispatch(ctx, world{in: in, out: r, err: r, log: newLog(io.Discard)}, args)
	if len(lines) > 0 {
		close(r.keys)
	}
	in.Close()
	r.mu.Lock()
	defer r.mu.Unlock()
	for _, l := range r.lines {
		t.Errorf("never read: %s", l.reads)
	}
	return code, r.text.String()
}

func wants(t *testing.T, said string, texts ...string) {
	t.Helper()
	for _, text := range texts {
		if !strings.Contains(said, text) {
			t.Errorf("it never says %q:\n%s", text, said)
		}
	}
}

// TestTheScaleIsCalibratedInADialogue is a person with a cylinder in use, a mistyped weight,
// two weights and a file to print.
func TestTheScaleIsCalibratedInADialogue(t *testing.T) {
	t.Parallel()
	v := startFastVan(t, 7.7+6, estimate.Scale{CountsPerKg: 40000, ZeroCounts: 60000})
	v.until(t, "the cylinder is seen", func(p, _ string, _ float64) bool { return p == "present" })
	record := filepath.Join(t.TempDir(), "record.txt")
	put := func(kg float64) func() { return func() { v.set(kg, 0.6) } }
	code, said := talk(t, []line{
		{reads: "Press Enter to begin"},
		{reads: "1. Lift the cylinder off", does: put(0)},
		{reads: "2. Put one known weight", does: put(10.02), types: "cylinder 16.8 kg"},
		{reads: "Not taken: calibrate: a cylinder is no known weight", types: ""},
		{reads: "Not taken: say what it is", types: "shop 10.02 kg"},
		{reads: "3. A second weight", does: put(5), types: "shop 5kg"},
		{reads: "4. Take the weight off", does: put(7.7 + 6)},
		{reads: "Is it the same cylinder", types: "y"},
	}, "calibrate", "scale", "--state", v.dir, "--record", record)
	if code != exitDone {
		t.Fatalf("exit %d:\n%s", code, said)
	}
	wants(t, said, "steady, noise", "g off one line; up to 18 g is well", "Done. The fuel is known again", "stamped tares are off")
	text, err := os.ReadFile(record)
	if err != nil {
		t.Fatal(err)
	}
	wants(t, string(text), "calibration of the scale", "slope      42", "cell       12.5 C", "weight     10.02", `counts_per_mass = "42`,
		"by the board", "never replaces it")
	v.until(t, "the fuel is known again", func(p, why string, _ float64) bool {
		return p == "present" && (why == "" || strings.Contains(why, "tare"))
	})

	code, said = talk(t, nil, "calibrate", "scale", "--state", v.dir, "--list")
	if code != exitDone || strings.Count(said, "counts/kg") != 1 || !strings.Contains(said, "(holds)") {
		t.Errorf("exit %d, the list says:\n%s", code, said)
	}
	code, said = talk(t, nil, "calibrate", "scale", "--state", v.dir, "--undo")
	if code != exitDone {
		t.Errorf("undo: exit %d", code)
	}
	wants(t, said, "Undone", "goes by the configuration: 40000 counts/kg")
	code, said = talk(t, nil, "calibrate", "scale", "--state", v.dir, "--undo")
	if code != exitFailed {
		t.Errorf("a second undo: exit %d", code)
	}
	wants(t, said, "nothing to undo")
}

func TestWhoeverLeavesInTheMiddleIsToldWhatToDo(t *testing.T) {
	t.Parallel()
	v := startFastVan(t, 7.7+6, estimate.Scale{CountsPerKg: 42900, ZeroCounts: 52000})
	code, said := talk(t, []line{
		{reads: "Press Enter to begin"},
		{reads: "1. Lift the cylinder off", does: func() { v.stand(true) }, types: "q"}, // or half an hour ends it
	}, "calibrate", "scale", "--state", v.dir)
	if code != exitFailed {
		t.Errorf("exit %d", code)
	}
	wants(t, said, "Left in the middle", "frostline calibrate scale --end")
	v.until(t, "the scale is held", func(_, why string, _ float64) bool { return strings.Contains(why, "being calibrated") })
	v.stand(false)
	code, said = talk(t, nil, "calibrate", "scale", "--state", v.dir, "--end")
	if code != exitDone {
		t.Errorf("end: exit %d:\n%s", code, said)
	}
	v.until(t, "the cylinder is weighed again", func(p, _ string, _ float64) bool { return p == "present" })
}

func TestAScriptCalibratesStepByStep(t *testing.T) {
	t.Parallel()
	v := startFastVan(t, 0, estimate.Scale{})
	for _, k := range []struct {
		kg   float64
		args string
		says string
	}{
		{0, "--zero", "no slope yet"},
		{10.4, "--water|10 L|--water-temp|12 C|--container|0.42 kg", "weight     10.40"},
		{5, "--weight|5 kg|--kind|stated", "the weights lie"},
		{12.7, "--end", "weighed again"},
	} {
		v.set(k.kg, 0.6)
		code, said := talk(t, nil, append([]string{"calibrate", "scale", "--state", v.dir}, strings.Split(k.args, "|")...)...)
		if code != exitDone || !strings.Contains(said, k.says) {
			t.Errorf("%s: exit %d, want %q:\n%s", k.args, code, k.says, said)
		}
	}
	v.until(t, "the cylinder is there", func(p, _ string, _ float64) bool { return p == "present" })
}

func TestTheGasSensorIsCalibratedInADialogue(t *testing.T) {
	t.Parallel()
	v := startFastVan(t, 0, estimate.Scale{})
	v.stand(true) // the warm-up is over after six seconds of ours
	code, said := talk(t, []line{{reads: "Press Enter"}}[:0], "calibrate", "gas", "--state", v.dir, "--clean-air")
	if code != exitFailed {
		t.Errorf("during the warm-up: exit %d", code)
	}
	v.stand(false)
	wants(t, said, "warming up")
	v.until(t, "the sensor is warm", func(_, _ string, upS float64) bool { return upS > 1400 })
	mix := func() {
		v.set(0, 3.6)
		from := 0.0
		v.until(t, "a minute of the mix", func(_, _ string, upS float64) bool {
			if from == 0 {
				from = upS
			}
			return upS > from+80
		})
	}
	code, said = talk(t, []line{
		{reads: "then press Enter; q to leave"},
		{reads: "just Enter to stay with clean air", types: "50 %LEL propane"},
		{reads: "says not which limit was meant", does: mix, types: "850 ppm propane"},
	}, "calibrate", "gas", "--state", v.dir)
	if code != exitDone {
		t.Fatalf("exit %d:\n%s", code, said)
	}
	wants(t, said, "Never test with lighter gas", "The certified alarm stays on", "by 850 ppm of propane; %LEL may be shown", "proves nothing about other places")
}

func TestTheDrillPlaysEachSoundAndKeepsTheAnswer(t *testing.T) {
	t.Parallel()
	v := startFastVan(t, 0, estimate.Scale{})
	code, said := talk(t, []line{
		{reads: "Enter to hear it"}, {reads: "Enter to hear it"}, {reads: "Enter to hear it"}, {reads: "Enter to hear it"},
		{reads: "Did you hear it", types: "in the back, hardly"},
		{reads: "Write y or n", types: "Yes"},
	}, "drill", "--state", v.dir)
	if code != exitDone {
		t.Fatalf("exit %d:\n%s", code, said)
	}
	wants(t, said, "Out: no switches, no flame, no phone inside", "Do not heat with the cooktop", "can be heard where you sleep")
	if got := strings.Join(v.drilled, " "); got != "critical high medium stopped" {
		t.Errorf("played %s", got)
	}
	var s calibrationState
	if err := newControl(v.dir).ask(t.Context(), "GET", "/api/calibration", nil, &s); err != nil || s.Heard == nil || s.Heard.Actor != "board" {
		t.Errorf("kept %+v, %v", s.Heard, err)
	}
	if code, _ = talk(t, nil, "drill", "--state", v.dir, "--heard", "no"); code != exitDone {
		t.Errorf("taking it back: exit %d", code)
	}
	s = calibrationState{}
	if err := newControl(v.dir).ask(t.Context(), "GET", "/api/calibration", nil, &s); err != nil || s.Heard != nil {
		t.Errorf("taken back, and kept %+v, %v", s.Heard, err)
	}
}

// TestARecordThatCannotBeWrittenIsToldBeforeTheWeighing is a person who asks, as the service's
// user, for a file in their own folder.
func TestARecordThatCannotBeWrittenIsToldBeforeTheWeighing(t *testing.T) {
	dir := t.TempDir()
	var said strings.Builder
	for _, file := range []string{filepath.Join(dir, "none", "calibration.txt"), dir} {
		code := dispatch(t.Context(), world{in: strings.NewReader(""), out: &said, err: &said, log: newLog(&said)},
			[]string{"calibrate", "scale", "--state", dir, "--record", file})
		if text := said.String(); code != 1 || !strings.Contains(text, "nothing was calibrated") || !strings.Contains(text, file) {
			t.Errorf("%s: exit %d, %s", file, code, text)
		}
		said.Reset()
	}
	file := filepath.Join(dir, "calibration.txt")
	dispatch(t.Context(), world{in: strings.NewReader(""), out: &said, err: &said, log: newLog(&said)},
		[]string{"calibrate", "scale", "--state", dir, "--record", file})
	if _, err := os.Stat(file); err == nil || !strings.Contains(said.String(), "systemctl start frostline") {
		t.Errorf("without a daemon: %v, %s", err, said.String())
	}
}

// TestWhatIsTriedForARecordIsLeftAsItWas: a link that leads to nothing yet is still one, and
// still leads to nothing.
func TestWhatIsTriedForARecordIsLeftAsItWas(t *testing.T) {
	dir := t.TempDir()
	to, link, old := filepath.Join(dir, "card.txt"), filepath.Join(dir, "link.txt"), filepath.Join(dir, "old.txt")
	if err := errors.Join(os.Symlink("card.txt", link), os.WriteFile(old, []byte("kept"), 0o600)); err != nil {
		t.Fatal(err)
	}
	for _, file := range []string{link, old, to} {
		if err := mayRecord(file); err != nil {
			t.Error(err)
		}
	}
	if at, err := os.Readlink(link); err != nil || at != "card.txt" {
		t.Errorf("the link leads to %q, %v", at, err)
	}
	if _, err := os.Stat(to); !errors.Is(err, fs.ErrNotExist) {
		t.Errorf("a file was left: %v", err)
	}
	if text, err := os.ReadFile(old); err != nil || string(text) != "kept" {
		t.Errorf("the old record is %q, %v", text, err)
	}
}
