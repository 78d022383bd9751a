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

const configTareKg = 7.7 // as in boardConfig

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

// patience ends a test that would otherwise wait for ever; nothing is measured by it.
const patience = 90 * time.Second

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
	for deadline := time.Now().Add(patience); time.Now().Before(deadline); time.Sleep(5 * time.Millisecond) {
		if s, err := p.snapshot(); err == nil && s.Stamp.Tick > 0 {
			return p
		}
	}
	p.kill()
	t.Fatalf("no page within %v:\n%s", patience, p.log.String())
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
	Gas struct {
		Fault string `json:"fault"`
	} `json:"gas"`
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
	ctx, cancel := context.WithTimeout(context.Background(), patience)
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

// keeps gives an order again until it is answered as kept: a busy disk may be too late for the
// first answer, as the program then says itself. The order must be one that may come twice.
func (p *program) keeps(body string) {
	p.t.Helper()
	var err error
	for deadline := time.Now().Add(patience); time.Now().Before(deadline); {
		if err = p.command(body); err == nil || !late(err) {
			break
		}
	}
	if err != nil {
		p.t.Fatalf("%s: %v\n%s", body, err, p.log.String())
	}
}

// late is the answer to an order that could not be seen on the disk in time.
func late(err error) bool {
	return strings.HasPrefix(err.Error(), "202 ") || strings.HasPrefix(err.Error(), "504 ")
}

// freeAddress is a free port on an address of loopback that nothing else uses, so that it
// stays free while a program is away: no other test and no outgoing connection takes it.
func freeAddress(t *testing.T) string {
	t.Helper()
	host := fmt.Sprintf("127.%d.%d.%d", 1+rand.N(254), rand.N(256), 1+rand.N(254))
	ln, err := net.Listen("tcp", host+":0")
	if err != nil { // a system whose loopback is one address
		ln, err = net.Listen("tcp", "127.0.0.1:0")
	}
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
	t.Parallel()
	conf, page, state, b := layVan(t)
	rng := rand.New(rand.NewPCG(1, 2))
	last := life{tare: configTareKg}
	const kills = 50
	answers := 0
	for kill := range kills {
		if kill > 0 {
			kept := keptTare(t, state)
			if kept != last.tare && kept != last.inFlight {
				t.Errorf("kill %d: tare %.1f kg is on disk, want %.1f, which was there or answered for, or %.1f, which was in flight", kill, kept, last.tare, last.inFlight)
			}
			last.tare = kept // whether it was answered for or not: it must not go again
		}
		p := startProgram(t, conf, page, b)
		s, err := p.snapshot()
		if err != nil {
			p.kill()
			t.Fatal(err)
		}
		last.outlived(t, kill, s)
		// Acknowledge, then enter a tare; be killed before, between, during or after.
		if rng.IntN(4) > 0 && last.stored { // else there is nothing to acknowledge
			last.takes(t, kill, p, "acknowledging", p.command(`{"ack":"monitoring-lost"}`))
		}
		next := 7.0 + float64(kill%10)/10
		done := make(chan error, 1)
		go func() {
			done <- p.command(fmt.Sprintf(`{"cylinder_changed":{"tare_kg":%.1f,"capacity_kg":9.1}}`, next))
		}()
		last.inFlight = next
		select {
		case err := <-done:
			if last.takes(t, kill, p, "entering the tare", err) {
				last.tare = next
			}
			p.kill()
		case <-time.After(time.Duration(rng.IntN(1500)) * time.Millisecond):
			p.kill()
			if err := <-done; err == nil { // the answer may have raced the kill
				last.tare, last.answered = next, true
			}
		}
		if last.answered {
			answers++
		}
	}
	t.Logf("%d of %d lives answered for something", answers, kills)
	if answers < kills/10 {
		t.Errorf("%d of %d lives answered for something: the test bites too little", answers, kills)
	}
}

// life is what is known of the lives so far when one is killed.
type life struct {
	tare, inFlight float64 // kg; what is on the disk, and what may have been taken
	boots          uint64
	burned         float64 // kg
	answered       bool    // the last life answered for something, so all of it until then was on the disk
	stored         bool    // some life was on the disk
}

// outlived holds the next life against the last. One that was killed before it answered for
// anything may be on the disk or not.
func (l *life) outlived(t *testing.T, kill int, s shown) {
	t.Helper()
	if n := s.Totals.Boots; n != l.boots+1 && (l.answered || n != l.boots || n == 0) {
		t.Errorf("kill %d: boot %d, want %d", kill, n, l.boots+1)
	}
	if s.Totals.BurnedKg < l.burned {
		t.Errorf("kill %d: burned fell from %g to %g kg", kill, l.burned, s.Totals.BurnedKg)
	}
	l.stored = l.stored || l.answered || s.Totals.Boots > 1
	if lost := s.alarm("monitoring-lost"); l.stored && lost.State != "unacknowledged" {
		t.Errorf("kill %d: monitoring lost is %q, want it raised anew", kill, lost.State)
	}
	l.boots, l.burned, l.answered = s.Totals.Boots, s.Totals.BurnedKg, false
}

// takes reports whether an order was answered for. A busy disk may be too late for that, as
// the program then says itself; any other refusal is wrong here.
func (l *life) takes(t *testing.T, kill int, p *program, what string, err error) bool {
	t.Helper()
	switch {
	case err == nil:
		l.answered = true
		return true
	case !late(err):
		t.Errorf("kill %d: %s: %v\n%s", kill, what, err, p.log.String())
	}
	return false
}

// keptTare reads the tare from a copy of the state directory, as a start after the kill
// would find it.
func keptTare(t *testing.T, state string) float64 {
	t.Helper()
	dir := t.TempDir()
	if err := os.Remove(filepath.Join(state, controlFile)); err != nil && !errors.Is(err, os.ErrNotExist) {
		t.Fatal(err) // a kill leaves it behind, and no copy can be made of a socket
	}
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
	if last.Checkpoint == nil {
		return configTareKg // killed before its first commit
	}
	if err := json.Unmarshal(last.Checkpoint, &cp); err != nil {
		t.Fatalf("checkpoint: %v", err)
	}
	if tare := cp.Estimate.Scale.Tare; tare.Entered && len(tare.Parts) == 1 {
		return tare.Parts[0].Kg
	}
	return 0
}
