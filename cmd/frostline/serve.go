package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"net"
	"net/http"
	"os"
	"path/filepath"
	"sync"
	"sync/atomic"
	"syscall"
	"time"

	"golang.org/x/net/netutil"

	"frostline/alerts/announce"
	"frostline/config"
	"frostline/daemon"
	"frostline/daemon/core"
	"frostline/daemon/history"
	"frostline/daemon/web"
	"frostline/sensors"
)

// outfit is a loop with everything around it: what run and demo have in common.
type outfit struct {
	cfg    *config.Config
	log    *slog.Logger
	source daemon.Source
	boot   func() string
	pace   time.Duration
	page   net.Listener // nil means no page
	board  net.Listener // the control socket; nil means that no command can reach the daemon
	buzzer *announce.Buzzer
	record func(core.Input) error
	extra  []daemon.Output // at the end of the line
	notify func(string)
	ready  func() // called once there is a loop

	store  *history.Store
	unkept *lost // in its place when it could not be opened
	mqtt   *announce.MQTT
	posts  []*announce.Courier // webhook, mail
	paths  []web.Path          // every way out, as the page shows it
	loop   *daemon.Loop
	web    *web.Server

	erasable bool                  // all may be erased: the caller does so when serve returns errErased
	erasing  atomic.Bool           // it was asked for
	endMQTT  func(context.Context) // ends the announcer, and waits for it
	end      func()                // ends the loop
}

// serve lives until the context ends or the source does, then takes everything down in
// order: the loop's last tick, the broker's goodbye, the store.
func (o *outfit) serve(ctx context.Context) error {
	c := core.New(o.cfg.Core)
	if err := o.open(c); err != nil {
		return err
	}
	ctx, o.end = context.WithCancel(ctx)
	defer o.end()
	o.loop = daemon.NewLoop(o.options(c))
	if o.ready != nil {
		o.ready()
	}
	// Outputs outlive the loop, so that its last tick still leaves the process.
	outer, cancel := context.WithCancel(context.WithoutCancel(ctx))
	var wg sync.WaitGroup
	if o.buzzer != nil {
		wg.Go(func() { o.buzzer.Run(outer) })
	}
	if o.mqtt != nil {
		announcing, end := context.WithCancel(outer)
		ended := make(chan struct{})
		o.endMQTT = func(ctx context.Context) {
			end()
			select {
			case <-ended:
			case <-ctx.Done():
			}
		}
		wg.Go(func() {
			defer close(ended)
			defer end()
			if err := o.mqtt.Run(announcing); err != nil && !errors.Is(err, context.Canceled) {
				o.log.Error("mqtt ended", "output", "mqtt", "err", err)
			}
		})
	}
	for _, c := range o.posts {
		wg.Go(func() {
			if err := c.Run(outer); err != nil {
				o.log.Error("messages ended", "err", err)
			}
		})
	}
	closePage := o.servePage(outer, &wg)
	err := o.loop.Run(ctx)
	closePage()
	cancel()
	wg.Wait()
	if o.store != nil {
		err = errors.Join(err, o.store.Close())
	}
	if o.erasing.Load() {
		return errors.Join(errErased, err)
	}
	return err
}

// open readies the outputs. A store that cannot be opened must not stop the gas watch: it
// is said and the program runs without.
func (o *outfit) open(c *core.Core) error {
	var err error
	if o.cfg.StateDir != "" {
		if o.store, err = o.openStore(c); err != nil {
			o.log.Error("running without a store: nothing is kept over a restart", "output", "history", "err", err)
			o.unkept = &lost{sensors.StoreAgeS, err}
		}
	}
	if m := o.cfg.MQTT; m != nil {
		version, _ := build()
		opt := announce.Options{Broker: m.Broker, DeviceID: m.Device, Domain: m.Domain, EventsBase: m.Events,
			User: m.User, PasswordFile: m.PasswordFile, CAFile: m.CAFile, CertFile: m.CertFile, KeyFile: m.KeyFile,
			Command: o.do, Log: o.log, Version: version}
		if o.store != nil {
			opt.Outbox = o.store
		}
		// A broker's missing secret is no reason to stop watching gas.
		if o.mqtt, err = announce.NewMQTT(opt); err != nil {
			o.mqtt = nil
			o.paths = append(o.paths, unused(mqttPath, err))
			o.extra = append(o.extra, &lost{sensors.BrokerLink, err})
			o.log.Error("running without MQTT", "output", "mqtt", "err", err)
		} else {
			o.paths = append(o.paths, web.Path{Name: mqttPath, State: o.mqtt.Says})
		}
	}
	o.openPosts()
	if o.cfg.StateDir != "" {
		// Without it the other commands cannot speak to the daemon; the watch goes on.
		if o.board, err = listenControl(o.cfg.StateDir); err != nil {
			o.log.Error("no control socket: calibrate, pair and the like cannot reach this daemon", "err", err)
		}
	}
	if o.page != nil || o.board != nil {
		version, revision := build()
		opt := web.Options{Hosts: o.cfg.Page.Hosts, Command: o.do, Metrics: o.cfg.Page.Metrics, Version: version,
			Revision: revision, Built: made(), Log: o.log, Sounder: o.buzzer != nil && o.cfg.Sounder != nil && o.cfg.Sounder.Tested,
			Writable: o.cfg.Page.Commands, VanName: o.cfg.VanName, Zone: o.cfg.Core.Nights.Zone,
			Nights: o.cfg.Core.Nights, Paths: o.paths, Unkept: o.unkept != nil}
		if o.buzzer != nil {
			opt.Drill = o.buzzer.Drill
		}
		if o.store != nil {
			opt.Past = o.store
		}
		if o.store != nil {
			opt.Backup = func(ctx context.Context) (io.ReadCloser, error) { return makeBackup(ctx, o.store, o.cfg.StateDir) }
		}
		if o.erasable && o.cfg.StateDir != "" {
			opt.Erase = o.erase
		}
		o.guard(&opt)
		o.web = web.New(opt)
	}
	return nil
}

// guard says who may ask the page. A token that cannot be read lets no scraper in.
func (o *outfit) guard(opt *web.Options) {
	p := o.cfg.Page
	opt.Open, opt.Glance, opt.HTTPS = !p.Pair, p.Glance, p.CertFile != ""
	if o.page != nil {
		opt.Listen = o.page.Addr().String()
	}
	// A disk that did not answer for the store must not hold up the start once more.
	if o.cfg.StateDir != "" && (o.unkept == nil || !errors.Is(o.unkept.err, errNoDisk)) {
		opt.Phones = filepath.Join(o.cfg.StateDir, phonesFile)
	}
	if p.MetricsTokenFile != "" {
		var err error
		if opt.MetricsToken, err = readToken(p.MetricsTokenFile); err != nil {
			o.log.Error("no scraper can read the metrics without being paired", "output", "web", "err", err)
		}
	}
}

func (o *outfit) openStore(c *core.Core) (*history.Store, error) {
	store, err := o.openWithin(history.Options{Wiring: o.cfg.Core.Wiring, Paths: o.outboxes(), Daily: o.dailies(), Log: o.log})
	if err != nil {
		if !errors.Is(err, errNoDisk) { // what does not answer would not be read either
			err = errors.Join(err, o.salvage(c))
		}
		return nil, err
	}
	last, err := store.Resume()
	if err == nil && last.Checkpoint != nil {
		err = c.Restore(last.Checkpoint)
	}
	if last.Damage != "" {
		o.log.Error("the store was damaged and begun anew", "output", "history", "found", last.Damage)
	}
	if err != nil {
		// Beliefs can be had again; a gas watch that does not start cannot.
		o.log.Error("the state of the last run cannot be continued; starting cold", "err", err)
	}
	return store, nil
}

// openWithin gives a card that does not answer ten seconds: the gas watch begins without it.
func (o *outfit) openWithin(opt history.Options) (*history.Store, error) {
	type opened struct {
		store *history.Store
		err   error
	}
	done, late := make(chan opened, 1), make(chan struct{})
	go func() {
		store, err := history.Open(filepath.Join(o.cfg.StateDir, historyFile), opt)
		select {
		case <-late: // nobody waits any more
			if err == nil {
				store.Close()
			}
		default:
			done <- opened{store, err}
		}
	}()
	select {
	case d := <-done:
		return d.store, d.err
	case <-time.After(openPatience):
		close(late)
		return nil, errNoDisk
	}
}

// salvage continues from a store that can be read and not written, as on a card that was
// remounted read-only: what was acknowledged and entered is not forgotten for that.
func (o *outfit) salvage(c *core.Core) error {
	dir, err := os.MkdirTemp("", "frostline-")
	if err != nil {
		return err
	}
	defer os.RemoveAll(dir)
	file := filepath.Join(dir, historyFile)
	for _, tail := range []string{"", "-wal"} {
		text, err := os.ReadFile(filepath.Join(o.cfg.StateDir, historyFile) + tail)
		if errors.Is(err, os.ErrNotExist) {
			continue
		}
		if err == nil {
			err = os.WriteFile(file+tail, text, 0o600)
		}
		if err != nil {
			return err
		}
	}
	if _, err := os.Stat(file); err != nil {
		return nil // there never was one
	}
	copied, err := history.Open(file, history.Options{})
	if err != nil {
		return err
	}
	defer copied.Close()
	last, err := copied.Resume()
	if err != nil || last.Checkpoint == nil {
		return err
	}
	return c.Restore(last.Checkpoint)
}

// openPatience is how long a start waits for the disk. The tests have more, on machines that are
// busy with tests.
var openPatience = 10 * time.Second

var errNoDisk = errors.New("the disk has not answered for ten seconds")

const (
	pageConnections  = 64 // a phone needs six; beyond that someone would take the sensors' file descriptors
	boardConnections = 8
	historyFile      = "history.db" // in the state directory
	phonesFile       = "phones.json"
	mqttPath         = "mqtt" // names MQTT's rows in the outbox
)

// do gives a command to the loop; page and MQTT exist before it does.
func (o *outfit) do(ctx context.Context, cmd core.Command) error {
	if o.loop == nil {
		return errors.New("still starting; try again in a second")
	}
	return o.loop.Do(ctx, cmd)
}

func (o *outfit) options(c *core.Core) daemon.Options {
	opt := daemon.Options{Core: c, Wiring: o.cfg.Core.Wiring, Source: o.source, Boot: o.boot, Pace: o.pace,
		Record: o.record, Notify: o.notify, Log: o.log, Rebuild: rebuild(o.cfg.Core)}
	if o.buzzer != nil {
		opt.Outputs = append(opt.Outputs, o.buzzer)
	}
	if o.web != nil {
		opt.Outputs = append(opt.Outputs, o.web)
	}
	if o.store != nil {
		opt.Outputs = append(opt.Outputs, o.store)
		opt.Committed = o.store.Committed
	}
	if o.unkept != nil {
		opt.Outputs, opt.Committed = append(opt.Outputs, o.unkept), o.unkept.Committed
	}
	if o.mqtt != nil {
		opt.Outputs = append(opt.Outputs, o.mqtt)
	}
	for _, c := range o.posts {
		opt.Outputs = append(opt.Outputs, c)
	}
	opt.Outputs = append(opt.Outputs, o.extra...)
	return opt
}

// lost stands for an output that could not be opened: its health is a fault, and what
// depends on it is said to be unkept.
type lost struct {
	channel sensors.Channel
	err     error
}

func (n *lost) Deliver(*core.Snapshot) {}

func (n *lost) Health(report func(sensors.Channel, sensors.Reading)) {
	report(n.channel, sensors.Fault("io"))
}

func (n *lost) Committed(context.Context, uint64) error { return n.err }

func rebuild(p core.Params) func([]byte, bool) (*core.Core, error) {
	return func(checkpoint []byte, cold bool) (*core.Core, error) {
		c := core.New(p)
		switch {
		case checkpoint == nil:
			return c, nil
		case cold:
			return c, c.RestoreCold(checkpoint)
		}
		return c, c.Restore(checkpoint)
	}
}

// servePage starts the page and the control socket and returns what ends them.
func (o *outfit) servePage(ctx context.Context, wg *sync.WaitGroup) func() {
	if o.web == nil {
		return func() {}
	}
	var servers []*http.Server
	serve := func(ln net.Listener, h http.Handler, most int, cert *certificate) {
		srv := &http.Server{Handler: h, ReadHeaderTimeout: 5 * time.Second, ReadTimeout: 15 * time.Second,
			WriteTimeout: 15 * time.Second, IdleTimeout: time.Minute, // each write of a stream sets its own
			MaxHeaderBytes: 16 << 10, BaseContext: func(net.Listener) context.Context { return ctx },
			ErrorLog: slog.NewLogLogger(o.log.Handler(), slog.LevelDebug)}
		servers = append(servers, srv)
		ln = netutil.LimitListener(ln, most)
		wg.Go(func() {
			var err error
			if cert != nil {
				srv.TLSConfig = cert.config()
				err = srv.ServeTLS(ln, "", "")
			} else {
				err = srv.Serve(ln)
			}
			if err != nil && !errors.Is(err, http.ErrServerClosed) {
				o.log.Error("page ended", "output", "web", "at", ln.Addr(), "err", err)
			}
		})
	}
	if o.page != nil {
		var cert *certificate
		if p := o.cfg.Page; p.CertFile != "" {
			cert = newCertificate(p.CertFile, p.KeyFile, o.log)
		}
		serve(o.page, o.web, pageConnections, cert)
	}
	if o.board != nil {
		serve(o.board, o.web.Board(), boardConnections, nil)
	}
	return func() {
		c, cancel := context.WithTimeout(context.Background(), time.Second)
		defer cancel()
		for _, srv := range servers {
			if srv.Shutdown(c) != nil { // streams of sleeping phones do not hold a stop
				srv.Close()
			}
		}
	}
}

// listen opens an address. If it is busy and another may be taken, any free port is, and
// the caller says so aloud.
func listen(addr string, orAnother bool) (net.Listener, bool, error) {
	host, _, err := net.SplitHostPort(addr)
	if err != nil {
		return nil, false, fmt.Errorf("%w; write host:port, as 127.0.0.1:8460", err)
	}
	ln, err := net.Listen("tcp", addr)
	busy := errors.Is(err, syscall.EADDRINUSE)
	switch {
	case busy && orAnother:
		ln, err = net.Listen("tcp", net.JoinHostPort(host, "0"))
		return ln, true, err
	case busy:
		err = fmt.Errorf("%w; is frostline running already?", err)
	}
	return ln, false, err
}

// eventLines writes every event as a JSON line, for demo and record.
type eventLines struct {
	enc interface{ Encode(any) error }
	err error
}

func (e *eventLines) Deliver(s *core.Snapshot) {
	for i := range s.Events {
		if e.err == nil {
			e.err = e.enc.Encode(s.Events[i])
		}
	}
}

func (e *eventLines) Health(func(sensors.Channel, sensors.Reading)) {}
