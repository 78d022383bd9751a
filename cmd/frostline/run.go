package main

import (
	"context"
	"crypto/hmac"
	"crypto/rand"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"flag"
	"fmt"
	"io"
	"os"
	"os/signal"
	"slices"
	"strings"
	"syscall"
	"time"

	"frostline/alerts/announce"
	"frostline/config"
	"frostline/daemon"
	"frostline/daemon/core"
	"frostline/sensors"
	"frostline/sensors/hw"
)

const defaultConfig = "/etc/frostline/frostline.toml"

const runExamples = `  frostline run
  frostline run --config van.toml --sysfs ./made-up-tree
`

func runCmd(ctx context.Context, w world, fs *flag.FlagSet, args []string) error {
	hup := make(chan os.Signal, 1) // first of all: unheard, the signal would end the process
	signal.Notify(hup, syscall.SIGHUP)
	defer signal.Stop(hup)
	conf := fs.String("config", defaultConfig, "configuration `file`")
	sysfs := fs.String("sysfs", "/sys", "`root` of sysfs")
	state := fs.String("state", "", "state `directory`, instead of the configuration's")
	words, err := parse(fs, args)
	if err != nil {
		return err
	}
	if err := noWords(words); err != nil {
		return err
	}
	cfg, err := config.Load(*conf)
	if err != nil {
		return err
	}
	if *state != "" {
		cfg.StateDir = *state
	}
	if len(cfg.Board) == 0 {
		return fmt.Errorf("%s: no sensor has a driver, so there is nothing to watch; frostline demo needs no sensors", *conf)
	}
	if err := onlyOne(ctx, cfg.StateDir); err != nil {
		return err
	}
	if err := finishErasing(cfg.StateDir); err != nil { // no reason not to watch
		w.log.Error("what was to be erased is still there", "err", err)
	}
	board, err := hw.Open(hw.Options{Root: *sysfs, Wires: cfg.Board, Wiring: cfg.Core.Wiring, Log: w.log})
	if err != nil {
		return err
	}
	defer board.Close()
	boot := newBoot()
	o := &outfit{cfg: cfg, log: w.log, source: board, boot: func() string { return boot }, pace: time.Second,
		erasable: true}
	tell := notifier()
	o.notify = func(state string) {
		if state != "STOPPING=1" || !o.erasing.Load() { // erased, it begins anew: for the service manager it goes on
			tell(state)
		}
	}
	if cfg.MQTT != nil && cfg.MQTT.Device == "" {
		cfg.MQTT.Device = deviceID()
	}
	if cfg.Page.Listen != "" {
		// A page that cannot listen is no reason to stop watching gas.
		if o.page, _, err = listen(cfg.Page.Listen, false); err != nil {
			w.log.Error("no page", "output", "web", "err", err)
		}
	}
	if s := cfg.Sounder; s != nil {
		line, led, err := hw.OpenSounder(s.Line, s.LED, s.Invert)
		if err != nil {
			w.log.Error("no sounder: nothing here can wake you", "output", "sounder", "err", err)
			o.extra = append(o.extra, &lost{sensors.SounderOK, err})
		} else {
			o.buzzer = announce.NewBuzzer(announce.BuzzerOptions{Sounder: line, Lamp: led, Tested: s.Tested,
				Zone: cfg.Core.Nights.Zone, Log: w.log})
		}
	}
	o.ready = func() { go o.reload(ctx, hup, *conf, *sysfs, board) } // the one goroutine that waits for signals
	err = o.serve(ctx)
	if errors.Is(err, errErased) {
		if failed := finishErasing(cfg.StateDir); failed != nil {
			w.log.Error("what was to be erased is still there", "err", failed)
		}
	}
	return err
}

// reload reads the configuration again at each SIGHUP. A file with problems changes
// nothing. Page, broker, webhook and mail keep the settings they were started with, and it says so.
func (o *outfit) reload(ctx context.Context, hup <-chan os.Signal, conf, sysfs string, board *hw.Board) {
	for {
		select {
		case <-ctx.Done():
			return
		case <-hup:
		}
		o.notify("RELOADING=1")
		if err := o.reloadOnce(ctx, conf, sysfs, board); err != nil {
			o.log.Error("configuration not taken; the old one goes on", "err", err)
		} else {
			o.log.Info("configuration taken; page, broker, webhook, mail, store and sounder keep their settings until a restart")
		}
		o.notify("READY=1")
	}
}

func (o *outfit) reloadOnce(ctx context.Context, conf, sysfs string, board *hw.Board) error {
	cfg, err := config.Load(conf)
	if err != nil {
		return err
	}
	if !slices.Equal(cfg.Core.Wiring, o.cfg.Core.Wiring) {
		return errors.New("the list of sensors is another; restart frostline to take it, since the store keeps a column for each")
	}
	return o.loop.Swap(ctx, func(checkpoint []byte) (daemon.Options, error) {
		c := core.New(cfg.Core)
		if checkpoint != nil {
			if err := c.Restore(checkpoint); err != nil {
				return daemon.Options{}, err
			}
		}
		if err := board.Rewire(hw.Options{Root: sysfs, Wires: cfg.Board, Wiring: cfg.Core.Wiring, Log: o.log}); err != nil {
			return daemon.Options{}, err
		}
		o.cfg.Core = cfg.Core
		return o.options(c), nil
	})
}

// newBoot names this run of the program.
func newBoot() string {
	var b [4]byte
	rand.Read(b[:])
	return hex.EncodeToString(b[:])
}

// deviceID is stable and says nothing of the machine: its id keyed with a name of ours, so
// that it cannot be turned back (the scheme of application-specific machine ids).
func deviceID() string {
	id, err := os.ReadFile("/etc/machine-id")
	if err != nil {
		return "van-" + newBoot()
	}
	m := hmac.New(sha256.New, []byte(strings.TrimSpace(string(id))))
	io.WriteString(m, "frostline device")
	return "van-" + hex.EncodeToString(m.Sum(nil)[:4])
}
