package main

import (
	"cmp"
	"context"
	"encoding/json"
	"errors"
	"flag"
	"fmt"
	"log/slog"
	"net"
	"os"
	"slices"
	"strings"
	"time"

	mqtt "github.com/mochi-mqtt/server/v2"
	"github.com/mochi-mqtt/server/v2/hooks/auth"
	"github.com/mochi-mqtt/server/v2/listeners"

	"frostline/config"
	"frostline/daemon/core"
	"frostline/daemon/estimate"
	"frostline/sensors"
	"frostline/sensors/sim"
	"frostline/testdata/scenarios"
)

const demoExamples = `  frostline demo
  frostline demo --scenario leak --speed 30
  frostline demo --scenario leak --seed 7 --fast --record out.csv.gz --events live.jsonl
  frostline demo --scenario fortnight --fast --state ./fortnight && frostline nights --state ./fortnight
  frostline demo --scenario leak --seed 7 --fast --print-config > van.toml
`

// demo is a van that does not exist, and what somebody asked of it.
type demo struct {
	w        world
	scenario sim.Scenario
	van      *sim.Van
	cfg      *config.Config
	speed    float64
	fast     bool
}

func demoCmd(ctx context.Context, w world, fs *flag.FlagSet, args []string) error {
	name := fs.String("scenario", "quiet-night", "`name` of the scenario: "+strings.Join(scenarios.Names(), ", "))
	seed := fs.Uint64("seed", 0, "`number` that fixes noise and weather; 0 takes the scenario's")
	speed := fs.Float64("speed", 60, "`times` faster than life")
	fast := fs.Bool("fast", false, "as fast as it goes, without page and broker")
	page := fs.String("listen", "127.0.0.1:8460", "`address` of the page and metrics")
	broker := fs.String("broker", "127.0.0.1:1883", "`address` of the demo's own MQTT broker")
	record := fs.String("record", "", "write the raw readings to this `file`, .gz for gzip")
	keep := fs.String("state", "", "keep store and ledger in this `directory`; without it nothing outlives the demo")
	eventsTo := fs.String("events", "", "write events as JSON lines to this `file`, - for standard output")
	printConfig := fs.Bool("print-config", false, "print the demo van's configuration and end")
	words, err := parse(fs, args)
	if err != nil {
		return err
	}
	if err := noWords(words); err != nil {
		return err
	}
	if !(*speed >= 0.1 && *speed <= 2000) {
		return usagef("--speed must lie between 0.1 and 2000")
	}
	d := demo{w: w, speed: *speed, fast: *fast}
	if err := d.load(*name, *seed); err != nil {
		return err
	}
	if *printConfig {
		_, err := fmt.Fprint(w.out, vanConfig(d.scenario.What, d.van, d.fast))
		return err
	}
	o := &outfit{cfg: d.cfg, log: w.log, source: d.van, boot: d.van.Boot, notify: func(string) {}}
	if !d.fast {
		o.pace = time.Duration(float64(d.scenario.Tick.Duration) / d.speed)
	} else {
		o.log = slog.New(slog.DiscardHandler)
	}
	closeAll, err := d.outputs(o, *record, *eventsTo)
	if err != nil {
		return err
	}
	d.cfg.StateDir = *keep
	if !d.fast {
		if *keep == "" {
			if d.cfg.StateDir, err = os.MkdirTemp("", "frostline-demo-"); err != nil {
				return err
			}
			defer os.RemoveAll(d.cfg.StateDir)
		}
		stop, err := d.around(o, *page, *broker)
		if err != nil {
			return err
		}
		defer stop()
	}
	o.extra = append(o.extra, d.operator(o))
	if d.fast {
		far := &howFar{newProgress(w.err), &d}
		o.extra = append(o.extra, far)
		defer far.shows.end()
	}
	return cmp.Or(o.serve(ctx), closeAll())
}

func (d *demo) load(name string, seed uint64) error {
	text, err := scenarios.Open(name)
	if err != nil {
		return usagef("%v", err)
	}
	if d.scenario, err = sim.Load(text, name); err != nil {
		return err
	}
	d.van = sim.New(d.scenario, seed)
	if d.cfg, err = config.Parse("demo", []byte(vanConfig(d.scenario.What, d.van, d.fast))); err != nil {
		return err
	}
	d.cfg.StateDir, d.cfg.Page.Listen = "", "" // nothing of a demo outlives it
	return nil
}

// outputs opens recording and event file.
func (d *demo) outputs(o *outfit, record, eventsTo string) (func() error, error) {
	var done []func() error
	closeAll := func() error {
		var err error
		for _, f := range done {
			err = errors.Join(err, f())
		}
		return err
	}
	if record != "" {
		h := core.NewHeader(d.cfg.Core.Wiring)
		h.What, h.Where, h.Config = d.scenario.What, "a van that does not exist", d.cfg.Hash
		r, err := newRecorder(d.w, record, h)
		if err != nil {
			return closeAll, err
		}
		o.record, done = r.enc.Encode, append(done, r.Close)
	}
	if eventsTo != "" {
		out, err := create(d.w, eventsTo)
		if err != nil {
			return closeAll, errors.Join(err, closeAll())
		}
		lines := &eventLines{enc: json.NewEncoder(out)}
		o.extra = append(o.extra, lines)
		done = append(done, func() error { return cmp.Or(lines.err, out.Close()) })
	}
	return closeAll, nil
}

// around starts broker and page and says where they are.
func (d *demo) around(o *outfit, page, broker string) (stop func(), err error) {
	ln, moved, err := listen(page, true)
	if err != nil {
		return nil, err
	}
	if moved {
		fmt.Fprintf(d.w.err, "%s is busy, so the page has another port\n", page)
	}
	bln, moved, err := listen(broker, true)
	if err != nil {
		ln.Close()
		return nil, err
	}
	if moved {
		fmt.Fprintf(d.w.err, "%s is busy, so the broker has another port\n", broker)
	}
	server, err := demoBroker(bln)
	if err != nil {
		return nil, errors.Join(err, ln.Close(), bln.Close())
	}
	o.page = ln
	// Anybody may look at a van that does not exist; its buttons are for the board, and for
	// phones that were paired.
	local := ln.Addr().(*net.TCPAddr).IP.IsLoopback()
	d.cfg.Page.Metrics, d.cfg.Page.Commands, d.cfg.Page.Pair, d.cfg.Page.Glance = true, true, !local, true
	d.cfg.MQTT.Broker = "tcp://" + bln.Addr().String()
	fmt.Fprintf(d.w.err, `A van that does not exist, %g times faster than life.
%s
%s

  page      http://%s/
  metrics   http://%s/metrics
  MQTT      mosquitto_sub -h %s -p %d -t '#' -v

It runs for %s; end it with Ctrl-C.%s

`, d.speed, d.scenario.What, strings.TrimSpace(disclaimer), ln.Addr(), ln.Addr(), host(bln), port(bln),
		(time.Duration(float64(d.scenario.Duration.Duration) / d.speed)).Round(time.Second), howToPair(local, d.cfg.StateDir))
	return func() { server.Close() }, nil
}

// howToPair is said where phones can reach the demo.
func howToPair(local bool, state string) string {
	if local {
		return ""
	}
	return "\nPhones may look. For one that may also press buttons:  frostline pair --state " + state
}

// demoBroker keeps retained values and passes alarms to whoever listens. It lives in memory.
func demoBroker(ln net.Listener) (*mqtt.Server, error) {
	caps := mqtt.NewDefaultServerCapabilities()
	caps.MaximumClients, caps.MaximumInflight, caps.MaximumClientWritesPending, caps.MaximumPacketSize = 32, 256, 256, 64<<10
	server := mqtt.New(&mqtt.Options{Capabilities: caps, Logger: slog.New(slog.DiscardHandler)})
	if err := server.AddHook(new(auth.AllowHook), nil); err != nil {
		return nil, err
	}
	if err := server.AddListener(listeners.NewNet("demo", ln)); err != nil {
		return nil, err
	}
	return server, server.Serve()
}

func host(ln net.Listener) string { return ln.Addr().(*net.TCPAddr).IP.String() }
func port(ln net.Listener) int    { return ln.Addr().(*net.TCPAddr).Port }

// howFar shows how far a scenario is that goes as fast as it can.
type howFar struct {
	shows *progress
	d     *demo
}

func (h *howFar) Deliver(*core.Snapshot) {
	h.shows.at(h.d.scenario.Name, h.d.van.Elapsed().Seconds()/h.d.scenario.Duration.Seconds())
}

func (h *howFar) Health(func(sensors.Channel, sensors.Reading)) {}

// actor plays the scenario's owner: after each tick it gives the orders that are due.
type actor struct {
	van  *sim.Van
	acts []sim.Act
	give func(core.Command)
}

// operator returns the scenario's owner as an output: it sees each tick go by.
func (d *demo) operator(o *outfit) *actor {
	acts := d.van.Operator()
	slices.SortStableFunc(acts, func(a, b sim.Act) int { return int(a.At - b.At) })
	return &actor{d.van, acts, func(c core.Command) {
		o.loop.Later(c, func(why string) {
			o.log.Warn("the owner's order was refused", "command", c.Verb(), "err", why)
		})
	}}
}

func (a *actor) Deliver(*core.Snapshot) {
	for len(a.acts) > 0 && a.acts[0].At <= a.van.Elapsed() {
		if c, ok := order(a.acts[0]); ok {
			a.give(c)
		}
		a.acts = a.acts[1:]
	}
}

func (a *actor) Health(func(sensors.Channel, sensors.Reading)) {}

// order is an act in the words of the core.
func order(a sim.Act) (core.Command, bool) {
	c := core.Command{Actor: "owner"}
	switch a.Do {
	case sim.ActAck:
		c.Ack = a.Alarm
	case sim.ActAckAudible:
		c.AckAudible = true
	case sim.ActReset:
		c.Reset = a.Alarm
	case sim.ActShelve:
		c.Shelve = &core.Shelve{Alarm: a.Alarm, ForS: a.For.Seconds()}
	case sim.ActChanged:
		c.Changed = &estimate.Change{TareKg: a.TareKg, CapacityKg: a.CapacityKg, FillKg: a.FillKg}
	case sim.ActSameCylinder:
		c.Changed = &estimate.Change{Same: true}
	case sim.ActExpectedLow:
		c.ExpectedLow = &core.ExpectedLow{C: a.C}
	case sim.ActWeightWatch:
		c.WeightWatch = &a.On
	default:
		return c, false
	}
	return c, true
}

// vanConfig is the configuration an owner of the simulated van would have written. Alone
// there is neither store nor broker, so their health is not wired.
func vanConfig(what string, v *sim.Van, alone bool) string {
	o := v.Owner()
	var b strings.Builder
	f := func(format string, args ...any) { fmt.Fprintf(&b, format, args...) }
	f("# A van that does not exist: %s\n\n[van]\nname = \"Larch\"\nzone = %q\naltitude = \"%g m\"\n\n", what, zoneName(o.UTCOffsetH), o.AltitudeM)
	f("[scale]\ncounts_per_mass = \"%g counts/kg\"\nzero = \"%g counts\"\ncalibrated_at = \"%g C\"\ncapacity = \"%g kg\"\n",
		o.CountsPerKg, o.ZeroCounts, o.CalibratedAtC, o.CapacityKg)
	f("zero_drift = \"%g g/K\"\nspan_drift = \"%g ppm/K\"\ncreep = \"%g %%\"\n\n", o.ZeroTCGPerK, o.SpanTCPPMPerK, o.CreepPct30min)
	f("[cylinder]\ntare = \"%g kg\"\ntare_error = \"%g kg\"\ncapacity = \"%g kg\"\nblend = \"propane\"\n\n", o.StampedTareKg, o.TareSDKg, o.CylinderKg)
	for _, a := range o.Appliances {
		f("[[appliance]]\nname = %q\nkind = %q\ninput = \"%g kW\"\n", a.Name, a.Kind, a.KW)
		if a.MinKW > 0 {
			f("least = \"%g kW\"\n", a.MinKW)
		}
		f("\n")
	}
	f("[gas]\nsupply = \"%g V\"\nload = \"%g ohm\"\n", o.GasSupplyV, o.GasLoadOhm)
	if o.GasR0Ohm > 0 {
		f("r0 = \"%g ohm\"\ntest_mix = true\n", o.GasR0Ohm)
	}
	wiring := slices.Clone(v.Wiring())
	if !alone {
		f("\n[mqtt]\nbroker = \"tcp://127.0.0.1:1883\"\ndevice = \"van-demo\"\n")
		for _, ch := range []sensors.Channel{sensors.StoreAgeS, sensors.StoreSizeB, sensors.StoreWrittenB,
			sensors.BrokerLink, sensors.OutboxN, sensors.OutboxLost} {
			wiring = append(wiring, sensors.Wire{Channel: ch, Period: 10 * time.Second})
		}
	}
	for _, w := range wiring {
		f("\n[[sensor]]\nchannel = %q\nperiod = \"%g s\"\n", w.Channel, w.Period.Seconds())
	}
	return b.String()
}

// zoneName is the zone of a whole-hour offset; the tz database counts westward.
func zoneName(utcOffsetH float64) string {
	if utcOffsetH == 0 {
		return "UTC"
	}
	return fmt.Sprintf("Etc/GMT%+d", -int(utcOffsetH))
}
