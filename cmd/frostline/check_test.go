package main

import (
	"net"
	"os"
	"path/filepath"
	"runtime"
	"strings"
	"syscall"
	"testing"
	"time"

	"frostline/config"
	"frostline/daemon/core"
	"frostline/daemon/estimate"
	"frostline/sensors"
)

// TestLiveNamesWhatIsTouchedAndNothingElse plays readings of a second each.
func TestLiveNamesWhatIsTouchedAndNothingElse(t *testing.T) {
	steady := func(v float64, n int, noise float64) (out []sensors.Reading) {
		for i := range n {
			out = append(out, sensors.Of(v+noise*float64(i*7%5-2)))
		}
		return out
	}
	join := func(parts ...[]sensors.Reading) (out []sensors.Reading) {
		for _, p := range parts {
			out = append(out, p...)
		}
		return out
	}
	for name, k := range map[string]struct {
		ch   sensors.Channel
		r    []sensors.Reading
		want []string
	}{
		"a thermometer at rest":           {sensors.CabinC, steady(17, 60, 0.06), nil},
		"a thermometer in the hand":       {sensors.CabinC, join(steady(17, 10, 0.03), steady(18, 3, 0.03)), []string{"cabin_c rises: 17.0"}},
		"a noisy load cell":               {sensors.LoadCounts, steady(600000, 60, 1500), nil},
		"the cylinder lifted":             {sensors.LoadCounts, join(steady(600000, 10, 30), steady(52000, 5, 30)), []string{"load_counts falls: "}},
		"the button":                      {sensors.AckButton, join(steady(0, 8, 0), steady(1, 2, 0), steady(0, 2, 0)), []string{"ack_button closes: 1", "ack_button opens: 0"}},
		"a breath on the gas sensor":      {sensors.GasV, join(steady(0.6, 10, 0.002), steady(0.9, 3, 0.002)), []string{"gas_v rises: 0.60"}},
		"a plug pulled and put back":      {sensors.CabinC, join(steady(17, 6, 0), []sensors.Reading{sensors.Fault("crc"), sensors.Fault("crc")}, steady(17, 6, 0)), []string{"cabin_c is lost: crc means", "cabin_c is back"}},
		"two faults, one after the other": {sensors.CabinC, []sensors.Reading{sensors.Fault("crc"), sensors.Fault("timeout")}, []string{"crc means", "timeout means"}},
		"a sensor that says nothing":      {sensors.CabinC, make([]sensors.Reading, 20), nil},
	} {
		t.Run(name, func(t *testing.T) {
			l := &liveSensor{ch: k.ch}
			var got []string
			for _, r := range k.r {
				if said := l.take(r, func(w string) string { return w + " means" }); said != "" {
					got = append(got, said)
				}
			}
			if len(got) != len(k.want) {
				t.Fatalf("said %q, want %q", got, k.want)
			}
			for i := range got {
				if !strings.Contains(got[i], k.want[i]) {
					t.Errorf("said %q, want %q in it", got[i], k.want[i])
				}
			}
		})
	}
}

func TestTheRoomLeftIsJudged(t *testing.T) {
	for free, want := range map[int64]bool{-1: true, 0: false, 199 << 20: false, 300 << 20: true} {
		if f := room(finding{}, free); f.OK != want || f.OK == (f.Wrong != "") {
			t.Errorf("%d bytes: %+v", free, f)
		}
	}
	if freeB(t.TempDir()) < 0 || freeB("/no/such/place") >= 0 {
		t.Error("free room is known where there is none, or not where there is")
	}
}

func TestABrokerThatAnswersIsInOrder(t *testing.T) {
	ln, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	defer ln.Close()
	if f := checkBroker(t.Context(), &config.MQTT{Broker: "tcp://" + ln.Addr().String()}); len(f) != 1 || !f[0].OK {
		t.Errorf("%+v", f)
	}
	if f := checkBroker(t.Context(), nil); f != nil {
		t.Errorf("no broker is configured: %+v", f)
	}
}

func TestNodesThatCannotBeOpenedNameTheGroup(t *testing.T) {
	dev := t.TempDir()
	cfg := &config.Config{Sounder: &config.Sounder{Line: "GPIO17"}}
	if f := checkNodes(cfg, dev); f[0].OK || !strings.Contains(f[0].Wrong, "no GPIO chip") {
		t.Errorf("no chip: %+v", f)
	}
	chip := filepath.Join(dev, "gpiochip0")
	if err := os.WriteFile(chip, nil, 0o600); err != nil {
		t.Fatal(err)
	}
	if f := checkNodes(cfg, dev); !f[0].OK {
		t.Errorf("a chip that opens: %+v", f)
	}
	if f := checkNodes(&config.Config{}, dev); f != nil {
		t.Errorf("without a sounder: %+v", f)
	}
	if err := os.Chmod(chip, 0); err != nil {
		t.Fatal(err)
	}
	if os.Getuid() == 0 { // who may open everything: files are opened as somebody who may not
		if err := os.Chmod(filepath.Dir(dev), 0o755); err != nil {
			t.Fatal(err)
		}
		runtime.LockOSThread()
		defer runtime.UnlockOSThread()
		if err := syscall.Setfsuid(65534); err != nil {
			t.Fatal(err)
		}
		defer syscall.Setfsuid(0)
	}
	if f := checkNodes(cfg, dev); f[0].OK || !strings.Contains(f[0].DoThis, "group gpio") {
		t.Errorf("a chip that does not open: %+v", f)
	}
}

func TestTheClockIsNamedAndIsNoFault(t *testing.T) {
	for want, r := range map[string]sensors.Reading{"synchronised since": sensors.Of(1), "not synchronised": sensors.Of(0), "may not ask": sensors.Fault("permission")} {
		if f := checkClock(r); !f.OK || !strings.Contains(f.Note, want) {
			t.Errorf("%+v: %+v", r, f)
		}
	}
}

func TestADaemonIsAskedWhoHeardTheSounder(t *testing.T) {
	t.Parallel()
	v := startFastVan(t, 0, constantsOfTest())
	if code, _ := talk(t, nil, "drill", "--state", v.dir, "--heard", "yes"); code != exitDone {
		t.Fatal("not noted")
	}
	said := askDaemon(t.Context(), v.dir)
	if !said.running || said.heard == nil || said.scale == nil || said.scale.CountsPerKg != 42900 {
		t.Errorf("%+v", said)
	}
	if s := askDaemon(t.Context(), t.TempDir()); s.running || s.heard != nil || !s.OK {
		t.Errorf("nobody runs: %+v", s)
	}
	// The state survives: what a restart reads says the same.
	heard := core.HeardIn([]byte(`{"version":1,"sounder_heard":{"wall":"2026-11-01T12:00:00Z","clock_trusted":true,"actor":"board"}}`))
	if heard == nil || !heard.Wall.Equal(time.Date(2026, 11, 1, 12, 0, 0, 0, time.UTC)) {
		t.Errorf("by the checkpoint %+v", heard)
	}
	if core.HeardIn([]byte(`nonsense`)) != nil {
		t.Error("nonsense was heard")
	}
}

func constantsOfTest() estimate.Scale {
	return estimate.Scale{CountsPerKg: 42900, ZeroCounts: 52000}
}
