package history

import (
	"context"
	"io"
	"log/slog"
	"path/filepath"
	"sync"
	"sync/atomic"
	"testing"
	"testing/synctest"
	"time"

	"frostline/alerts"
	"frostline/alerts/announce"
	"frostline/daemon"
	"frostline/daemon/core"
	"frostline/daemon/estimate"
	"frostline/sensors"
)

// seep is a van whose warm gas sensor meets gas in tick 80, of one second each by then.
type seep struct {
	tick atomic.Int64
	up   time.Duration
}

func (l *seep) Read(_ context.Context, into []sensors.Reading) (sensors.Stamp, error) {
	n := l.tick.Add(1)
	if n > 100 {
		return sensors.Stamp{}, io.EOF
	}
	v := 0.36
	if l.up += 5 * time.Second; n >= 65 {
		l.up -= 4 * time.Second
		time.Sleep(50 * time.Millisecond) // of the bubble: every other goroutine has done what it can
	}
	if n >= 80 {
		v = 3.6
	}
	into[0] = sensors.Of(v + 0.001*float64(n%5))
	return sensors.Stamp{Up: l.up, Wall: time.Date(2026, 11, 25, 2, 0, 0, 0, time.UTC).Add(l.up)}, nil
}

// firstTone notes the tick in which the sounder was first driven after the gas had come.
type firstTone struct {
	van  *seep
	tick atomic.Int64
}

func (f *firstTone) Out(on bool) error {
	if n := f.van.tick.Load(); on && n >= 80 {
		f.tick.CompareAndSwap(0, n)
	}
	return nil
}

// A write to the card that never comes back must not hold up the gas watch: leave is heard
// within two ticks of its delay of 5 s.
func TestLeaveIsHeardWhileADiskWriteBlocksForEver(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		wires := sensors.Wiring{{Channel: sensors.GasV, Period: time.Second}}
		s, err := open(filepath.Join(t.TempDir(), "history.db"), Options{Wiring: wires, Paths: []string{"mqtt"}})
		if err != nil {
			t.Fatal(err)
		}
		mend, entered := make(chan struct{}), make(chan struct{}, 1)
		real := s.commit
		s.commit = func(b *batch) outcome {
			select {
			case entered <- struct{}{}:
			default:
			}
			<-mend
			return real(b)
		}
		go s.writeLoop()
		van := &seep{}
		tone := &firstTone{van: van}
		buzzer := announce.NewBuzzer(announce.BuzzerOptions{Sounder: tone, Tested: true})
		ctx, cancel := context.WithCancel(t.Context())
		var wg sync.WaitGroup
		wg.Go(func() { buzzer.Run(ctx) })
		p := core.Params{Wiring: wires, Setpoints: alerts.Defaults(),
			Estimate: estimate.Params{Gas: estimate.Gas{SupplyV: 5, LoadOhm: 10e3, R0Ohm: 20e3, TestMix: true}}}
		l := daemon.NewLoop(daemon.Options{Core: core.New(p), Wiring: wires, Source: van, Outputs: []daemon.Output{buzzer, s},
			Boot: func() string { return "a" }, Log: slog.New(slog.DiscardHandler), Committed: s.Committed})
		if err := l.Run(ctx); err != nil {
			t.Error(err)
		}
		cancel()
		wg.Wait()
		select {
		case <-entered:
		default:
			t.Error("nothing was ever written, so this shows nothing")
		}
		if n := tone.tick.Load(); n == 0 || n > 87 {
			t.Errorf("leave reached the sounder in tick %d, want by 87", n)
		}
		close(mend) // and what waited is written
		if err := s.Committed(t.Context(), 100); err != nil {
			t.Error(err)
		}
		if err := s.Close(); err != nil {
			t.Error(err)
		}
	})
}
