package main

import (
	"errors"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"sync"
	"testing"
	"time"
)

// TestACalibrationThroughTheBinaryOutlivesAKill is the command against the daemon as its
// owner has them: a sysfs tree that is written anew all the time, a process that is killed.
func TestACalibrationThroughTheBinaryOutlivesAKill(t *testing.T) {
	t.Parallel()
	conf, page, state, b := layVan(t)
	var mu sync.Mutex
	kg := 0.0
	put := func(to float64) {
		mu.Lock()
		defer mu.Unlock()
		kg = to
	}
	raw := filepath.Join(b.root, "bus/iio/devices/iio:device0/in_voltage0_raw")
	stop, ended := make(chan struct{}), make(chan struct{})
	go func() { // an ADC at work: 43 500 counts/kg where the configuration says 42 900
		defer close(ended)
		for i := 0; ; i++ {
			mu.Lock()
			text := fmt.Appendf(nil, "%d\n", int(50000+43500*kg)+i*7%31)
			mu.Unlock()
			if err := errors.Join(os.WriteFile(raw+"~", text, 0o644), os.Rename(raw+"~", raw)); err != nil {
				t.Error(err)
				return
			}
			select {
			case <-stop:
				return
			case <-time.After(200 * time.Millisecond):
			}
		}
	}()
	defer func() { close(stop); <-ended }()

	p := startProgram(t, conf, page, b)
	defer func() { p.kill() }()
	calibrate := func(want int, flags ...string) string {
		t.Helper()
		code, said := talk(t, nil, append([]string{"calibrate", "scale", "--config", conf}, flags...)...)
		if code != want {
			t.Fatalf("%v: exit %d, want %d:\n%s", flags, code, want, said)
		}
		return said
	}
	calibrate(exitFailed, "--undo")
	calibrate(exitDone, "--zero")
	put(10)
	wants(t, calibrate(exitDone, "--weight", "10 kg"), "weight     10.000 kg", "--end")
	p.kill()
	again := startProgram(t, conf, page, b)
	p = again
	var s calibrationState
	if err := newControl(state).ask(t.Context(), "GET", "/api/calibration", nil, &s); err != nil {
		t.Fatal(err)
	}
	if s.Scale == nil || math.Abs(s.Scale.CountsPerKg-43500) > 20 || len(s.Records) != 1 || s.Begun != "" {
		t.Errorf("after a kill the scale goes by %+v, %d records, %q has begun", s.Scale, len(s.Records), s.Begun)
	}
	wants(t, calibrate(exitDone, "--undo"), "goes by the configuration: 42900 counts/kg")
}
