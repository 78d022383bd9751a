package daemon_test

import (
	"context"
	"io"
	"log/slog"
	"net"
	"os"
	"path/filepath"
	"sync"
	"sync/atomic"
	"syscall"
	"testing"
	"time"

	"frostline/alerts"
	"frostline/alerts/announce"
	"frostline/daemon"
	"frostline/daemon/core"
	"frostline/daemon/estimate"
	"frostline/sensors"
	"frostline/sensors/hw"
)

// The van of these tests has a warmed-up gas sensor, and a leak from one tick on.
const (
	warmTicks = 65 // of 5 s each
	hushTick  = 70
	leakTick  = 80
	lastTick  = 100
	leaveTick = leakTick + 5 // the on-delay of "leave" is 5 s
)

var wiring = sensors.Wiring{{Channel: sensors.GasV, Period: time.Second}, {Channel: sensors.CabinC, Period: time.Second}}

// leaking is a source whose gas is made up; with a board, everything else is really read.
type leaking struct {
	board *hw.Board
	stuck func() // returns once the others hang as they should; nil if nothing does
	ear   *ear
	hush  func() // silences what sounds for another reason, before the leak
	tick  atomic.Int64
	up    time.Duration
}

// Read is the clock of these tests. The sounder's goroutine runs beside the loop, so the van
// stands still at three ticks until the sounder has had the time to do what it will do: that
// is counted in ticks, and a busy machine has slow ones.
func (l *leaking) Read(ctx context.Context, into []sensors.Reading) (sensors.Stamp, error) {
	switch l.tick.Load() + 1 {
	case hushTick: // so that its silencing can be heard
		l.ear.until("what sounded before the leak", func() bool { return l.ear.on })
	case leakTick:
		l.ear.until("silence before the leak", func() bool { return !l.ear.on })
		if l.stuck != nil {
			l.stuck()
		}
	case leaveTick + 3:
		l.ear.until("leave within two ticks", func() bool { return l.ear.heard > 0 })
	}
	n := l.tick.Add(1)
	if n > lastTick {
		return sensors.Stamp{}, io.EOF
	}
	if l.board != nil {
		if _, err := l.board.Read(ctx, into); err != nil {
			return sensors.Stamp{}, err
		}
	}
	if n == hushTick {
		l.hush()
	}
	l.up += time.Second
	if n < warmTicks {
		l.up += 4 * time.Second
	}
	into[0] = sensors.Of(0.36 + 0.001*float64(n%5))
	if n >= leakTick {
		into[0] = sensors.Of(3.6 + 0.001*float64(n%5))
	}
	return sensors.Stamp{Up: l.up, Wall: time.Date(2026, 11, 25, 2, 0, 0, 0, time.UTC).Add(l.up)}, nil
}

// ear is the sounder's line: it notes the tick in which it was first driven for the leak.
type ear struct {
	t   *testing.T
	src *leaking

	mu      sync.Mutex
	on      bool
	heard   int64
	changed chan struct{}
}

func (e *ear) Out(on bool) error {
	n := e.src.tick.Load()
	e.mu.Lock()
	defer e.mu.Unlock()
	if e.on = on; on && n >= leakTick && e.heard == 0 {
		e.heard = n
	}
	close(e.changed)
	e.changed = make(chan struct{})
	return nil
}

// until waits for something heard; the limit only ends a test that would wait for ever.
func (e *ear) until(what string, done func() bool) {
	e.mu.Lock()
	defer e.mu.Unlock()
	for limit := time.After(time.Minute); !done(); {
		changed := e.changed
		e.mu.Unlock()
		select {
		case <-changed:
		case <-limit:
			e.t.Errorf("never heard: %s", what)
			e.mu.Lock()
			return
		}
		e.mu.Lock()
	}
}

// leaveReaches runs the loop with an output that is stuck and says when the sounder spoke.
func leaveReaches(t *testing.T, src *leaking, others ...daemon.Output) {
	t.Helper()
	e := &ear{t: t, src: src, changed: make(chan struct{})}
	src.ear = e
	buzzer := announce.NewBuzzer(announce.BuzzerOptions{Sounder: e, Tested: true})
	ctx, cancel := context.WithCancel(t.Context())
	var wg sync.WaitGroup
	wg.Go(func() { buzzer.Run(ctx) })
	p := core.Params{Wiring: wiring, Setpoints: alerts.Defaults(),
		Estimate: estimate.Params{Gas: estimate.Gas{SupplyV: 5, LoadOhm: 10e3, R0Ohm: 20e3, TestMix: true}}}
	l := daemon.NewLoop(daemon.Options{Core: core.New(p), Wiring: wiring, Source: src, Outputs: append([]daemon.Output{buzzer}, others...),
		Boot: func() string { return "a" }, Log: slog.New(slog.DiscardHandler)})
	src.hush = func() {
		l.Later(core.Command{Actor: "test", AckAudible: true}, func(why string) { t.Errorf("nothing could be silenced: %s", why) })
	}
	if err := l.Run(ctx); err != nil {
		t.Error(err)
	}
	cancel()
	wg.Wait()
	switch n := e.heard; {
	case n == 0:
		t.Error("leave never reached the sounder")
	case n < leaveTick || n > leaveTick+2:
		t.Errorf("leave reached the sounder in tick %d, want from %d to %d", n, leaveTick, leaveTick+2)
	}
}

func TestLeaveIsHeardWhileNothingIsStuck(t *testing.T) { leaveReaches(t, &leaking{}) }

func TestLeaveIsHeardWhileASensorReadBlocksForEver(t *testing.T) {
	root := t.TempDir()
	dir := filepath.Join(root, "class/hwmon/hwmon0")
	if err := os.MkdirAll(dir, 0o755); err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(filepath.Join(dir, "name"), []byte("tmp102\n"), 0o644); err != nil {
		t.Fatal(err)
	}
	fifo := filepath.Join(dir, "temp1_input")
	if err := syscall.Mkfifo(fifo, 0o644); err != nil { // nobody ever writes to it
		t.Fatal(err)
	}
	board, err := hw.Open(hw.Options{Root: root, Wiring: wiring, Log: slog.New(slog.DiscardHandler),
		Wires: []hw.Wire{{Channel: sensors.CabinC, Period: time.Second, Driver: hw.Hwmon, Device: "tmp102"}}})
	if err != nil {
		t.Fatal(err)
	}
	defer board.Close()
	leaveReaches(t, &leaking{board: board, stuck: func() {
		f, err := os.OpenFile(fifo, os.O_WRONLY, 0) // returns when there is a reader, who then waits for the first byte
		if err != nil {
			t.Error(err)
			return
		}
		t.Cleanup(func() { f.Close() })
	}})
}

func TestLeaveIsHeardWhileABrokerSocketBlocksForEver(t *testing.T) {
	ln, err := net.Listen("tcp", "127.0.0.1:0") // it accepts and never says a word
	if err != nil {
		t.Fatal(err)
	}
	defer ln.Close()
	mqtt, err := announce.NewMQTT(announce.Options{Broker: "tcp://" + ln.Addr().String(), DeviceID: "van-test"})
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(t.Context())
	var wg sync.WaitGroup
	wg.Go(func() { mqtt.Run(ctx) })
	leaveReaches(t, &leaking{stuck: func() {
		c, err := ln.Accept()
		if err != nil {
			t.Error(err)
			return
		}
		t.Cleanup(func() { c.Close() })
	}}, mqtt)
	cancel()
	wg.Wait()
}
