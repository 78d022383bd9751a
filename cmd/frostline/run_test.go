package main

import (
	"fmt"
	"io"
	"net/http"
	"os"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
	"time"
)

// until waits for something to become true on the page's API; what says what in case it
// never does.
func (p *program) until(what string, ok func(shown) bool) {
	p.t.Helper()
	var last shown
	for deadline := time.Now().Add(patience); time.Now().Before(deadline); time.Sleep(50 * time.Millisecond) {
		s, err := p.snapshot()
		if err == nil && ok(s) {
			return
		}
		last = s
	}
	p.t.Errorf("never: %s; the numbers are %+v\n%s", what, last.Numbers, p.log.String())
}

// says waits until the log holds a text. The log is written beside what it tells of.
func (p *program) says(text string) {
	p.t.Helper()
	for deadline := time.Now().Add(patience); time.Now().Before(deadline); time.Sleep(10 * time.Millisecond) {
		if strings.Contains(p.log.String(), text) {
			return
		}
	}
	p.t.Errorf("the log never says %q:\n%s", text, p.log.String())
}

func (s shown) number(name string) (float64, string) {
	n := s.Numbers[name]
	return n.Value, n.Quality
}

// TestRunReadsARealTreeThatChangesUnderIt is the daemon as its owner has it: sensors come,
// go and come back, the configuration is read again, and a stop is a stop in order.
func TestRunReadsARealTreeThatChangesUnderIt(t *testing.T) {
	t.Parallel()
	conf, page, _, b := layVan(t)
	p := startProgram(t, conf, page, b)
	defer p.kill()
	cabin := func(want float64, quality string) func(shown) bool {
		return func(s shown) bool {
			v, q := s.number("cabin_c")
			return q == quality && (quality != "good" || v == want)
		}
	}
	p.until("the cabin reads 17.25 °C", cabin(17.25, "good"))
	p.until("the locker's thermometer is missed", func(s shown) bool {
		_, q := s.number("locker_c")
		return q == "bad" || q == "missing"
	})

	// The 1-wire thermometer is plugged in while the daemon runs.
	b.write(t, "bus/w1/devices/28-0000072f1a3c/w1_slave", "71 01 4b 46 7f ff 0f 10 4b : crc=4b YES\n71 01 4b 46 7f ff 0f 10 4b t=23062\n")
	p.until("the locker reads 23.06 °C", func(s shown) bool {
		v, q := s.number("locker_c")
		return (q == "good" || q == "suspect") && v > 23 && v < 23.1
	})

	// A configuration with a mistake changes nothing, a good one is taken without a restart.
	text, err := os.ReadFile(conf)
	if err != nil {
		t.Fatal(err)
	}
	hup := func(body string) {
		if err := os.WriteFile(conf, []byte(body), 0o644); err != nil {
			t.Fatal(err)
		}
		if err := p.cmd.Process.Signal(syscall.SIGHUP); err != nil {
			t.Fatal(err)
		}
	}
	before, err := p.snapshot()
	if err != nil {
		t.Fatal(err)
	}
	hup(strings.Replace(string(text), `tare = "7.7 kg"`, `tare = "-7.7 kg"`, 1))
	p.says("configuration not taken") // before the file changes again
	p.says("cylinder.tare: -7.7 kg is out of range")
	p.until("it ticks on after a broken configuration", func(s shown) bool { return s.Stamp.Tick > before.Stamp.Tick+2 })
	hup(string(text) + "\n[alarms]\npipe = \"4 C\"\n")
	p.says("configuration taken")
	p.until("it ticks on after a good one, in the same boot", func(s shown) bool {
		return s.Stamp.Tick > before.Stamp.Tick+5 && s.Totals.Boots == before.Totals.Boots
	})

	var raw map[string]any
	if err := p.get("/api/snapshot", &raw); err != nil {
		t.Error(err)
	}
	resp, err := http.Get("http://" + page + "/metrics")
	if err != nil || resp.StatusCode != http.StatusOK {
		t.Errorf("metrics: %v", err)
	} else {
		resp.Body.Close()
	}

	// A stop in order: no monitoring is lost, exit 0, and the ledger can be read afterwards.
	if err := p.cmd.Process.Signal(syscall.SIGTERM); err != nil {
		t.Fatal(err)
	}
	if err := p.cmd.Wait(); err != nil {
		t.Errorf("a stop in order ends with %v\n%s", err, p.log.String())
	}
	again := startProgram(t, conf, page, b)
	defer again.kill()
	s, err := again.snapshot()
	if err != nil {
		t.Fatal(err)
	}
	if a := s.alarm("monitoring-lost"); a.State != "normal" {
		t.Errorf("after a stop in order monitoring-lost is %s: %s", a.State, a.Why)
	}
}

// TestAStoreThatCannotBeOpenedDoesNotStopTheWatch starts where the state directory is a
// file.
func TestAStoreThatCannotBeOpenedDoesNotStopTheWatch(t *testing.T) {
	t.Parallel()
	conf, page, state, b := layVan(t)
	if err := os.WriteFile(state, []byte("in the way"), 0o644); err != nil {
		t.Fatal(err)
	}
	p := startProgram(t, conf, page, b)
	defer p.kill()
	p.until("the cabin is read", func(s shown) bool { _, q := s.number("cabin_c"); return q == "good" })
	p.says("running without a store")
	if answer, err := http.Get("http://" + page + "/"); err != nil {
		t.Error(err)
	} else if text, err := io.ReadAll(answer.Body); err != nil || !strings.Contains(string(text), "Nothing is kept") {
		t.Errorf("the page does not say that nothing is kept: %d, %v", answer.StatusCode, err)
	}
	if err := p.command(`{"weight_watch":true}`); err == nil || !strings.Contains(err.Error(), "not written to disk") {
		t.Errorf("an order without a store: %v, want it said that it is not kept", err)
	}
}

// TestABusyPortStopsThePageAndNotTheWatch runs two of them on one port.
func TestABusyPortStopsThePageAndNotTheWatch(t *testing.T) {
	t.Parallel()
	conf, page, _, b := layVan(t)
	p := startProgram(t, conf, page, b)
	defer p.kill()
	other := filepath.Join(t.TempDir(), "other.toml")
	if err := os.WriteFile(other, fmt.Appendf(nil, boardConfig, page, filepath.Join(t.TempDir(), "state")), 0o644); err != nil {
		t.Fatal(err)
	}
	q := &program{t: t, page: page}
	q.start(other, b)
	defer q.kill()
	q.says("no page")
}
