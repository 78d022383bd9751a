package main

import (
	"context"
	"errors"
	"fmt"
	"math"
	"time"

	"frostline/config"
	"frostline/sensors"
	"frostline/sensors/hw"
)

// How --live tells a sensor that is being touched from one at rest; engineering judgement.
const (
	liveRestN  = 5   // readings that make a rest to compare with
	liveSDs    = 8.0 // from the rest, in its own noise
	liveFollow = 0.1 // of a reading, by which the rest follows while nothing happens
)

// liveLeast is the least change worth a word, in the unit of the channel.
func liveLeast(ch sensors.Channel) float64 {
	switch {
	case ch.IsSwitch():
		return 0.5
	case ch.IsTemp():
		return 0.4
	case ch == sensors.LoadCounts:
		return 3000
	case ch == sensors.BaroKPa:
		return 0.1
	case ch == sensors.HumidityPct:
		return 2
	}
	return 0.03 // volts
}

// liveSensor watches one sensor for being touched.
type liveSensor struct {
	ch    sensors.Channel
	rest  float64
	noise float64 // running mean of |change|
	last  float64
	n     int
	fault string
}

// take folds a reading in and returns what is worth saying, or nothing.
func (l *liveSensor) take(r sensors.Reading, means func(string) string) string {
	switch {
	case r.Quality == sensors.Bad:
		if l.fault == r.Fault {
			return ""
		}
		l.fault, l.n = r.Fault, 0
		return fmt.Sprintf("%s is lost: %s", l.ch, means(r.Fault))
	case r.Quality != sensors.Good:
		return ""
	}
	back := ""
	if l.fault != "" {
		back, l.fault = fmt.Sprintf("%s is back", l.ch), ""
	}
	v := r.Value
	if l.n == 0 {
		l.rest, l.last, l.n = v, v, 1
		return back
	}
	step := math.Abs(v - l.last)
	l.last = v
	if l.n < liveRestN {
		l.n++
		l.rest += (v - l.rest) / float64(l.n)
		l.noise += (step - l.noise) / float64(l.n-1)
		return back
	}
	off := v - l.rest
	if math.Abs(off) <= max(liveSDs*l.noise, liveLeast(l.ch)) {
		l.rest += liveFollow * off
		l.noise += liveFollow * (min(step, 2*max(l.noise, liveLeast(l.ch)/liveSDs)) - l.noise)
		return back
	}
	from := l.rest
	l.rest = v // the next word is of a change from here
	unit := unitOf(l.ch)
	if unit != "" {
		unit = " " + unit
	}
	switch {
	case l.ch.IsSwitch() && v == 1:
		return fmt.Sprintf("%s closes: 1", l.ch)
	case l.ch.IsSwitch():
		return fmt.Sprintf("%s opens: 0", l.ch)
	}
	word := "rises"
	if off < 0 {
		word = "falls"
	}
	return fmt.Sprintf("%s %s: %s to %s%s", l.ch, word, number(from, 2), number(v, 2), unit)
}

// checkLive names sensors as they are touched.
func checkLive(ctx context.Context, w world, cfg *config.Config, sysfs string, lasts time.Duration) error {
	if len(cfg.Board) == 0 {
		return errors.New("no sensor has a driver; frostline check --reference shows how")
	}
	board, err := hw.Open(hw.Options{Root: sysfs, Wires: oftener(cfg.Board), Wiring: cfg.Core.Wiring})
	if err != nil {
		return err
	}
	defer board.Close()
	var end <-chan time.Time
	if lasts > 0 {
		end = time.After(lasts)
	}
	fmt.Fprintf(w.out, "Warm a thermometer in your hand, breathe on the gas sensor, lift the cylinder, press the button, pull a plug.\n"+
		"Each sensor is named when it moves. Never test the gas sensor with lighter gas. Ctrl-C ends.\n")
	watched := make([]*liveSensor, len(cfg.Core.Wiring))
	means := make(map[sensors.Channel]hw.Wire)
	for _, wire := range cfg.Board {
		means[wire.Channel] = wire
		if i := cfg.Core.Wiring.Index(wire.Channel); i >= 0 {
			watched[i] = &liveSensor{ch: wire.Channel}
		}
	}
	readings := make([]sensors.Reading, len(cfg.Core.Wiring))
	ticks := time.NewTicker(hearEvery)
	defer ticks.Stop()
	for {
		clear(readings)
		if _, err := board.Read(ctx, readings); err != nil {
			return err
		}
		for i, l := range watched {
			if l == nil {
				continue
			}
			if said := l.take(readings[i], func(word string) string { return hw.Means(means[l.ch], word) }); said != "" {
				fmt.Fprintln(w.out, said)
			}
		}
		select {
		case <-ctx.Done():
			return nil
		case <-end:
			return nil
		case <-ticks.C:
		}
	}
}
