package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"math"
	"strings"

	"frostline/config"
	"frostline/daemon/core"
	"frostline/daemon/estimate"
)

const scaleIntro = `The scale, in three steps: the empty cradle, a weight you know, the cylinder back.

Before you begin: appliances off, cylinder valve closed, flames out, the van parked level and
still. A tilt of 1 degree takes 3 g off 17 kg, 3 degrees 24 g, and leaning cylinders more. The
cell needs ten minutes of power, and ten minutes of rest after the cylinder was lifted.

Good weights: something weighed on a shop's or a post office's scale, best near the weight of
your full cylinder; water by the litre, its container weighed, 1.5 % good; a dumbbell, 2 % good.
Not the full cylinder by its stamps: stamped tares are off by -3 to +1 % and more, a scale set
by one repeats its error for ever, and what is in it is what you want to know.

Press Enter to begin, q to leave. Until the cylinder is back, the fuel reads unknown.`

const zeroAsk = `
1. Lift the cylinder off. Hose and regulator stay hung as they always hang; nothing else is on
   the cradle, nothing leans on it, the strap is loose. Wait until it says steady, then Enter.`

const weightAsk = `
2. Put one known weight in the middle of the cradle and say what it is:
     shop 10.02 kg           weighed on a shop's scale
     stated 10 kg            what is cast or printed on it
     water 10 L 12 C 0.4 kg  volume, temperature, the empty container
     skip                    none at hand: wider numbers until you do this again`

const secondAsk = `
3. A second weight, about half as heavy or twice, shows whether the line is straight. Take the
   first one off, put the second on, and say what it is the same way; or just Enter to go on.`

const backAsk = `
4. Take the weight off and put the cylinder back, hose and regulator as before. Then Enter.`

const sameAsk = `   Is it the same cylinder as before? y or n`

const leftInTheMiddle = `
Left in the middle. What is on the scale is taken for no cylinder. Put yours back, then:
  frostline calibrate scale --end
or it ends by itself half an hour after the last step.`

// scale leads through the steps.
func (c *calibration) scale(ctx context.Context) error {
	if c.now.Load == nil {
		return errors.New("no load cell is wired: a [[sensor]] table with channel = \"load_counts\" does it; frostline check --reference shows how")
	}
	if _, err := c.answer(ctx, scaleIntro, c.signal); err != nil {
		return err
	}
	before := c.presence(ctx)
	if err := c.step(ctx, estimate.CalibrationStep{Begin: estimate.TheScale}); err != nil {
		return err
	}
	err := c.weighings(ctx)
	if err == nil {
		_, err = c.answer(ctx, backAsk, nil)
	}
	same := ""
	if err == nil && before == estimate.Present {
		same, err = c.answer(ctx, sameAsk, nil)
	}
	if err != nil {
		c.say(leftInTheMiddle)
		return err
	}
	if strings.HasPrefix(strings.ToLower(same), "y") {
		if err := c.do(ctx, core.Command{Changed: &estimate.Change{Same: true}}); err != nil {
			return err
		}
	}
	if err := c.step(ctx, estimate.CalibrationStep{End: estimate.TheScale}); err != nil {
		return err
	}
	c.say("\nDone. The fuel is known again when the scale has come to rest, within a minute or two.")
	if before == estimate.Present && same != "" && !strings.HasPrefix(strings.ToLower(same), "y") {
		c.say("Another cylinder: enter what its collar says on the page.")
	}
	return c.keep()
}

// presence is what the daemon believes of the cylinder before it is lifted.
func (c *calibration) presence(ctx context.Context) estimate.Presence {
	var s struct {
		Van *struct {
			Cylinder estimate.Presence `json:"cylinder"`
		} `json:"van"`
	}
	if err := c.daemon.ask(ctx, "GET", "/api/snapshot", nil, &s); err != nil || s.Van == nil {
		return estimate.PresenceUnknown
	}
	return s.Van.Cylinder
}

// weighings are the empty cradle and up to two weights. What is refused is asked again.
func (c *calibration) weighings(ctx context.Context) error {
	for {
		if _, err := c.answer(ctx, zeroAsk, c.signal); err != nil {
			return err
		}
		err := c.steady(ctx)
		if err == nil {
			err = c.step(ctx, estimate.CalibrationStep{Zero: true})
		}
		if err == nil {
			break
		}
		c.say("   Not taken: " + err.Error())
		if ctx.Err() != nil {
			return errLeft
		}
	}
	c.say("   Taken.")
	skipped, err := c.weight(ctx, weightAsk, "skip")
	if err != nil || skipped {
		return err
	}
	c.straight()
	if _, err = c.weight(ctx, secondAsk, ""); err == nil {
		c.straight()
	}
	return err
}

// weight asks for one known weight until one is taken or skipped.
func (c *calibration) weight(ctx context.Context, question, skip string) (skipped bool, err error) {
	for {
		text, err := c.answer(ctx, question, c.signal)
		if err != nil {
			return false, err
		}
		if text == skip {
			return true, nil
		}
		known, err := parseKnown(text)
		if err == nil {
			err = c.steady(ctx)
		}
		if err == nil {
			err = c.step(ctx, estimate.CalibrationStep{Weight: &known})
		}
		if err == nil {
			c.say("   Taken.")
			return false, nil
		}
		c.say("   Not taken: " + err.Error())
		if ctx.Err() != nil {
			return false, errLeft
		}
	}
}

// straight says what the weights taken so far make.
func (c *calibration) straight() {
	n := len(c.now.Records)
	if n == 0 {
		return
	}
	r := c.now.Records[n-1]
	c.say("   " + r.Says())
	if len(r.Loads) > 1 {
		c.say(fmt.Sprintf("   The weights lie %s g off one line; up to 18 g is well.", number(1000*r.ResidualKg, 1)))
	}
}

// freshTicks is how many ticks of a second make a stretch of readings that are all new.
const freshTicks = 12

// steady waits until the signal stands still, all of it since now: who has just moved a
// weight must not have it taken for the one before.
func (c *calibration) steady(ctx context.Context) error {
	if err := c.look(ctx); err != nil {
		return err
	}
	from := c.now.Stamp.Tick
	err := c.until(ctx, func() bool {
		if c.live {
			fmt.Fprintf(c.out, "\r\x1b[K  %s", c.signal())
		}
		return c.now.Load != nil && c.now.Load.Steady && c.now.Stamp.Tick >= from+freshTicks
	})
	if err != nil && ctx.Err() == nil {
		return fmt.Errorf("it does not come to rest (%s): hands off, everybody still, out of the wind", c.signal())
	}
	return err
}

// signal is the raw signal in words.
func (c *calibration) signal() string {
	l := c.now.Load
	if l == nil || l.N == 0 {
		return "no reading: see frostline check"
	}
	mass := func(counts float64) string {
		if c.now.Scale == nil {
			return ""
		}
		return fmt.Sprintf(" (%s g)", sig(1000*math.Abs(counts/c.now.Scale.CountsPerKg), 2))
	}
	state := "steady"
	switch {
	case l.N < 10:
		state = fmt.Sprintf("%d readings of 10", l.N)
	case !l.Steady:
		state = fmt.Sprintf("moving: %s counts%s", number(l.Spread, 0), mass(l.Spread))
	}
	text := fmt.Sprintf("%s counts, %s, noise %s counts%s, %s s old", number(l.Mean, 0), state, number(l.SD, 0), mass(l.SD), number(l.AgeS, 0))
	if c.now.CellC != nil {
		text += fmt.Sprintf(", cell %s C", number(*c.now.CellC, 1))
	}
	return text
}

// parseKnown reads what a person says of a weight: kind, mass or volume, and so on.
func parseKnown(text string) (k estimate.KnownWeight, err error) {
	words := strings.Fields(text)
	if len(words) == 0 {
		return k, errors.New("say what it is, like: shop 10.02 kg")
	}
	var parts []string // numbers with their units, written together or apart
	for _, word := range words[1:] {
		if n := len(parts); n > 0 && !strings.ContainsAny(word[:1], "0123456789.,-") {
			parts[n-1] += " " + word
			continue
		}
		parts = append(parts, strings.Replace(word, ",", ".", 1))
	}
	k.Kind = words[0]
	into := []struct {
		to    *float64
		parse func(string) (float64, error)
	}{{&k.Kg, config.ParseKg}}
	least := 1
	if k.Kind == estimate.Water {
		into[0].to, into[0].parse = &k.VolumeL, config.ParseL
		into = append(into, struct {
			to    *float64
			parse func(string) (float64, error)
		}{&k.WaterC, config.ParseC}, struct {
			to    *float64
			parse func(string) (float64, error)
		}{&k.ContainerKg, config.ParseKg})
		least = 2
	}
	if k.Kind == estimate.Shop || k.Kind == estimate.Stated || k.Kind == estimate.Water {
		if len(parts) < least || len(parts) > len(into) {
			return k, fmt.Errorf("%q is not complete; write it like: shop 10.02 kg, or: water 10 L 12 C 0.4 kg", text)
		}
		for i, part := range parts {
			if *into[i].to, err = into[i].parse(part); err != nil {
				return k, err
			}
		}
	}
	return k, estimate.CalibrationStep{Weight: &k}.Check()
}

// writeScaleRecord writes a record to be printed and kept.
func writeScaleRecord(b io.Writer, r estimate.ScaleRecord) {
	f := func(what, format string, args ...any) {
		fmt.Fprintf(b, "%-10s %s\n", what, fmt.Sprintf(format, args...))
	}
	counts := math.Abs(r.CountsPerKg)
	fmt.Fprintln(b, "frostline: calibration of the scale")
	f("made", "%s, by the %s", madeAt(r.Made), r.Actor)
	f("slope", "%s counts/kg, give or take %s %% (95 %%)", sig(r.CountsPerKg, 6), sig(196*r.SpanSDFrac, 2))
	f("zero", "%s counts, give or take %s g (95 %%)", number(r.ZeroCounts, 0), sig(1960*r.ZeroSDKg, 2))
	if r.CellC != nil {
		f("cell", "%s C", number(*r.CellC, 1))
	} else if r.Actor != estimate.ByConfiguration {
		f("cell", "temperature unknown")
	}
	if p := r.Zero; p != nil {
		f("empty", "%s counts, noise %s counts (%s g)", number(p.Counts, 0), number(p.SDCounts, 0), sig(1000*p.SDCounts/counts, 2))
	}
	for _, p := range r.Loads {
		f("weight", "%s kg, one standard deviation %s g (%s): %s counts, noise %s g", number(p.Kg, 3), sig(1000*p.SDKg, 2), p.Kind,
			number(p.Counts, 0), sig(1000*p.SDCounts/counts, 2))
	}
	if len(r.Loads) > 1 {
		f("line", "the weights lie %s g off it", number(1000*r.ResidualKg, 1))
	}
	for _, n := range r.Notes {
		f("note", "%s", n)
	}
	fmt.Fprintf(b, "\nThe same by hand, in [scale] of the configuration:\n  counts_per_mass = %q\n  zero = %q\n  calibrated_at = %q\n  span_error = %q\n  zero_error = %q\n",
		sig(r.CountsPerKg, 7)+" counts/kg", number(r.ZeroCounts, 0)+" counts", number(r.CalibratedAtC, 1)+" C",
		sig(100*r.SpanSDFrac, 2)+" %", sig(1000*r.ZeroSDKg, 2)+" g")
	fmt.Fprint(b, "\n", disclaimer)
}
