package main

import (
	"context"
	"errors"
	"flag"
	"fmt"
	"slices"
	"strings"
	"time"

	"frostline/config"
	"frostline/daemon/core"
)

const drillExamples = `  frostline drill
  frostline drill --sound critical
  frostline drill --heard no
`

type drillSound struct{ sound, like, means string }

// drillSounds are the sounds of alarms, what each means and what to do first.
func drillSounds() []drillSound {
	return []drillSound{
		{"critical", "long tones with hardly a pause",
			"Gas at the floor, or a certified gas or carbon monoxide alarm. Out: no switches, no flame, no phone inside. The cylinder valve only from outside, and only if you need not go through or near the gas. Leave doors open, call from outside."},
		{"high", "pairs of tones, six seconds apart",
			"Something needs you now, also at night: the heating failed, a pipe is about to freeze, the battery is low, gas builds up or nobody watches for it. Read the page. Flames out if it names gas. Do not heat with the cooktop."},
		{"medium", "one tone every half minute",
			"Worth a look when you are up. Read the page."},
		{"stopped", "a long tone and a short one, every half minute",
			"frostline itself has stopped. The certified alarm is the only watch. See to the board."},
	}
}

func drillCmd(ctx context.Context, w world, fs *flag.FlagSet, args []string) error {
	conf := fs.String("config", defaultConfig, "configuration `file`")
	state := fs.String("state", "", "state `directory`, instead of the configuration's")
	only := fs.String("sound", "", "only this `sound`: critical, high, medium or stopped; nothing is asked")
	heard := fs.String("heard", "", "only note whether the sounder was heard where you sleep: yes or no")
	words, err := parse(fs, args)
	switch {
	case err != nil:
		return err
	case noWords(words) != nil:
		return noWords(words)
	case *heard != "" && *heard != "yes" && *heard != "no":
		return usagef("--heard is yes or no")
	case *only != "" && !slices.ContainsFunc(drillSounds(), func(s drillSound) bool { return s.sound == *only }):
		return usagef("--sound is critical, high, medium or stopped")
	case *heard != "" && *only != "":
		return usagef("--sound and --heard exclude each other")
	}
	if *state == "" {
		cfg, err := config.Load(*conf)
		if err != nil {
			return err
		}
		*state = cfg.StateDir
	}
	d := &calibration{daemon: newControl(*state), out: w.out, in: w.in}
	err = d.look(ctx)
	switch {
	case errors.Is(err, errNoDaemon):
		return fmt.Errorf("%w; the daemon has the sounder, so start it with systemctl start frostline, or frostline run --config %s", err, *conf)
	case err != nil:
		return err
	}
	if *heard != "" {
		return d.heard(ctx, *heard == "yes")
	}
	if !d.now.Fitted {
		return errors.New("no sounder is fitted, so nothing here can wake you; see [sounder] in frostline check --reference, and frostline check if there is one")
	}
	if *only != "" {
		return d.sound(ctx, *only)
	}
	fmt.Fprint(w.out, "Each sound of an alarm, twice. Tell everybody aboard first. A real alarm that comes meanwhile sounds at once.\n"+
		"The certified gas alarm has its own sound, and its own test button.\n")
	for _, s := range drillSounds() {
		if _, err := d.answer(ctx, fmt.Sprintf("\n%s: %s.\n%s\nEnter to hear it, q to leave.", strings.ToUpper(s.sound[:1])+s.sound[1:], s.like, s.means), nil); err != nil {
			return err
		}
		if err := d.sound(ctx, s.sound); err != nil {
			return err
		}
	}
	question := "\nDid you hear it at every sleeping place, doors closed, as you sleep? y or n"
	for {
		text, err := d.answer(ctx, question, nil)
		if err != nil {
			return err
		}
		switch strings.ToLower(strings.TrimSpace(text)) {
		case "y", "yes":
			return d.heard(ctx, true)
		case "n", "no":
			return d.heard(ctx, false)
		}
		question = "Write y or n: what is hardly heard is not heard."
	}
}

// sound plays one and waits until it has ended.
func (c *calibration) sound(ctx context.Context, name string) error {
	var said struct {
		LastsS float64 `json:"lasts_s"`
	}
	if err := c.daemon.ask(ctx, "POST", "/api/drill", map[string]string{"sound": name}, &said); err != nil {
		return err
	}
	fmt.Fprintf(c.out, "Sounding for %.0f s.\n", said.LastsS)
	select {
	case <-time.After(time.Duration(said.LastsS * float64(time.Second))):
		return nil
	case <-ctx.Done():
		return ctx.Err()
	}
}

// heard notes whether a person heard the sounder.
func (c *calibration) heard(ctx context.Context, yes bool) error {
	if err := c.do(ctx, core.Command{SounderHeard: &yes}); err != nil {
		return err
	}
	if yes {
		c.say("Noted: the sounder can be heard where you sleep. Do this again after every change of it, and each season.")
		return nil
	}
	c.say("Noted: nothing here can wake you. Move the sounder, or fit a louder one, and do this again.")
	return nil
}
