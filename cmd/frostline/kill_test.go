package main

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"math/rand/v2"
	"net"
	"net/http"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"frostline/daemon/history"
)

// board is a made-up sysfs tree of a small van.
type board struct{ root string }

func newBoard(t *testing.T) board {
	t.Helper()
	b := board{filepath.Join(t.TempDir(), "sys")}
	b.write(t, "bus/iio/devices/iio:device0/name", "nau7802\n")
	b.write(t, "bus/iio/devices/iio:device0/in_voltage0_raw", "638000\n")
	b.write(t, "bus/iio/devices/iio:device1/name", "ads1115\n")
	b.write(t, "bus/iio/devices/iio:device1/in_voltage0_raw", "4800\n")
	b.write(t, "bus/iio/devices/iio:device1/in_voltage0_scale", "0.125\n")
	b.write(t, "class/hwmon/hwmon0/name", "tmp102\n")
	b.write(t, "class/hwmon/hwmon0/temp1_input", "17250\n")
	return b
}

func (b board) write(t *testing.T, name, text string) {
	t.Helper()
	path := filepath.Join(b.root, name)
	if err := os.MkdirAll(filepath.Dir(path), 0o755); err != nil {
		t.Fatal(err)
	}
	// As the kernel's files: a reader sees the old text or the new, never half.
	if err := os.WriteFile(path+"~", []byte(text), 0o644); err != nil {
		t.Fatal(err)
	}
	if err := os.Rename(path+"~", path); err != nil {
		t.Fatal(err)
	}
}

const boardConfig = `[page]
listen = %q
metrics = true
[store]
dir = %q
[scale]
counts_per_mass = "42900 counts/kg"
zero = "52000 counts"
[cylinder]
tare = "7.7 kg"
capacity = "9.1 kg"
[[appliance]]
name = "heater"
kind = "heater"
input = "1.9 kW"
[gas]
load = "10 kohm"
[[sensor]]
channel = "load_counts"
driver = "iio"
device = "nau7802"
attribute = "in_voltage0_raw"
[[sensor]]
channel = "gas_v"
driver = "iio"
device = "ads1115"
attribute = "in_voltage0"
[[sensor]]
channel = "cabin_c"
driver = "hwmon"
device = "tmp102"
[[sensor]]
channel = "locker_c"
driver = "w1"
address = "28-0000072f1a3c"
`

// program is the binary under test, run as its own process so that it can be killed.
type program struct {
	t    *testing.T
	cmd  *exec.Cmd
	page string
	log  journal
}

// journal is what the program wrote; it may be read while it writes.
type journal struct {
	mu   sync.Mutex
	text bytes.Buffer
}

func (j *journal) Write(b []byte) (int, error) {
	j.mu.Lock()
	defer j.mu.Unlock()
	return j.text.Write(b)
}

func (j *journal) String() string {
	j.mu.Lock()
	defer j.mu.Unlock()
	return j.text.String()
}

func startProgram(t *testing.T, conf, page string, b board) *program {
	t.Helper()
	p := &program{t: t, page: page}
	p.start(conf, b)
	for deadline := time.Now().Add(20 * time.Second); time.Now().Before(deadline); time.Sleep(5 * time.Millisecond) {
		if s, err := p.snapshot(); err == nil && s.Stamp.Tick > 0 {
			return p
		}
	}
	p.kill()
	t.Fatalf("no page within 20 s:\n%s", p.log.String())
	return nil
}

func (p *program) start(conf string, b board) {
	p.t.Helper()
	p.cmd = exec.Command(os.Args[0], "run", "--config", conf, "--sysfs", b.root)
	p.cmd.Env = append(os.Environ(), "FROSTLINE_AS_COMMAND=1")
	p.cmd.Stderr = &p.log
	if err := p.cmd.Start(); err != nil {
		p.t.Fatal(err)
	}
}

func (p *program) kill() {
	p.cmd.Process.Kill()
	p.cmd.Wait()
}

type shownAlarm struct {
	ID    string `json:"id"`
	State string `json:"state"`
	Why   string `json:"why"`
}

type shown struct {
	Stamp struct {
		Tick uint64 `json:"tick"`
	} `json:"stamp"`
	Alarms []shownAlarm `json:"alarms"`
	Totals struct {
		BurnedKg float64 `json:"burned_kg"`
		Boots    uint64  `json:"boots"`
	} `json:"totals"`
	Numbers map[string]struct {
		Value   float64 `json:"value"`
		Quality string  `json:"quality"`
		Why     string  `json:"why"`
	} `json:"numbers"`
	Cylinder struct {
		TareEntered bool `json:"tare_entered"`
	} `json:"cylinder"`
}

func (s shown) alarm(id string) shownAlarm {
	for _, a := range s.Alarms {
		if a.ID == id {
			return a
		}
	}
	return shownAlarm{}
}

func (p *program) get(path string, into any) error {
	ctx, cancel := context.WithTimeout(context.Background(), 5*time.Second)
	defer cancel()
	req, err := http.NewRequestWithContext(ctx, http.MethodGet, "http://"+p.page+path, nil)
	if err != nil {
		return err
	}
	resp, err := http.DefaultClient.Do(req)
	if err != nil {
		return err
	}
	defer resp.Body.Close()
	if resp.StatusCode != http.StatusOK {
		return errors.New(resp.Status)
	}
	return json.NewDecoder(resp.Body).Decode(into)
}

func (p *program) snapshot() (s shown, err error) {
	err = p.get("/api/snapshot", &s)
	return s, err
}

// command gives an order; nil means that it is done and on disk.
func (p *program) command(body string) error {
	resp, err := http.Post("http://"+p.page+"/api/command", "application/json", strings.NewReader(body))
	if err != nil {
		return err
	}
	defer resp.Body.Close()
	text, _ := io.ReadAll(resp.Body)
	if resp.StatusCode != http.StatusOK { // 202 is done and not kept
		return fmt.Errorf("%s: %s", resp.Status, text)
	}
	return nil
}

func freeAddress(t *testing.T) string {
	t.Helper()
	ln, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	defer ln.Close()
	return ln.Addr().String()
}

func layVan(t *testing.T) (conf, page, state string, b board) {
	t.Helper()
	b = newBoard(t)
	dir := t.TempDir()
	page, state = freeAddress(t), filepath.Join(dir, "state")
	conf = filepath.Join(dir, "van.toml")
	if err := os.WriteFile(conf, fmt.Appendf(nil, boardConfig, page, state), 0o644); err != nil {
		t.Fatal(err)
	}
	return conf, page, state, b
}

// TestFiftyKillsLoseNothingThatWasAnswered kills the program at any moment, fifty times:
// what it answered for is there again, what was in flight is there or not, the gap is told
// each time, and no total falls.
func TestFiftyKillsLoseNothingThatWasAnswered(t *testing.T) {
	conf, page, state, b := layVan(t)
	rng := rand.New(rand.NewPCG(1, 2))
	var burned float64
	var boots uint64
	tare, inFlight := 0.0, 0.0 // kg; what was answered for, and what may have been taken
	const kills = 50
	for kill := range kills {
		if tare > 0 {
			if kept := keptTare(t, state); kept != tare && kept != inFlight {
				t.Errorf("kill %d: tare %.1f kg is on disk, want %.1f, which was answered for, or %.1f, which was in flight", kill, kept, tare, inFlight)
			}
		}
		p := startProgram(t, conf, page, b)
		s, err := p.snapshot()
		if err != nil {
			p.kill()
			t.Fatal(err)
		}
		if s.Totals.Boots != boots+1 {
			t.Errorf("kill %d: boot %d, want %d", kill, s.Totals.Boots, boots+1)
		}
		boots = s.Totals.Boots
		if s.Totals.BurnedKg < burned {
			t.Errorf("kill %d: burned fell from %g to %g kg", kill, burned, s.Totals.BurnedKg)
		}
		burned = s.Totals.BurnedKg
		if lost := s.alarm("monitoring-lost"); kill > 0 && lost.State != "unacknowledged" {
			t.Errorf("kill %d: monitoring lost is %q, want it raised anew", kill, lost.State)
		}
		// Acknowledge, then enter a tare; be killed before, between, during or after.
		if rng.IntN(4) > 0 && kill > 0 {
			if err := p.command(`{"ack":"monitoring-lost"}`); err != nil {
				t.Errorf("kill %d: acknowledging: %v\n%s", kill, err, p.log.String())
			}
		}
		next := 7.0 + float64(kill%10)/10
		done := make(chan error, 1)
		go func() {
			done <- p.command(fmt.Sprintf(`{"cylinder_changed":{"tare_kg":%.1f,"capacity_kg":9.1}}`, next))
		}()
		inFlight = next
		select {
		case err := <-done:
			if err != nil {
				t.Errorf("kill %d: entering the tare: %v", kill, err)
			} else {
				tare = next
			}
		case <-time.After(time.Duration(rng.IntN(1500)) * time.Millisecond):
		}
		p.kill()
		if err := <-pending(done, tare == next); err == nil { // the answer may have raced the kill
			tare = next
		}
	}
}

// keptTare reads the tare from a copy of the state directory, as a start after the kill
// would find it.
func keptTare(t *testing.T, state string) float64 {
	t.Helper()
	dir := t.TempDir()
	if err := os.CopyFS(dir, os.DirFS(state)); err != nil {
		t.Fatal(err)
	}
	store, err := history.Open(filepath.Join(dir, historyFile), history.Options{})
	if err != nil {
		t.Fatalf("the store a kill left behind does not open: %v", err)
	}
	defer store.Close()
	last, err := store.Resume()
	if err != nil {
		t.Fatal(err)
	}
	if last.Damage != "" {
		t.Errorf("a kill damaged the store: %s", last.Damage)
	}
	var cp struct {
		Estimate struct {
			Scale struct {
				Tare struct {
					Entered bool `json:"entered"`
					Parts   []struct {
						Kg float64 `json:"kg"`
					} `json:"parts"`
				} `json:"tare"`
			} `json:"scale"`
		} `json:"estimate"`
	}
	if err := json.Unmarshal(last.Checkpoint, &cp); err != nil {
		t.Fatalf("checkpoint: %v", err)
	}
	if tare := cp.Estimate.Scale.Tare; tare.Entered && len(tare.Parts) == 1 {
		return tare.Parts[0].Kg
	}
	return 0
}

// pending is the answer that may still come, or one that says nothing if it was read.
func pending(done chan error, read bool) chan error {
	if !read {
		return done
	}
	c := make(chan error, 1)
	c <- errors.New("read before")
	return c
}
