package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"strings"
	"time"

	"frostline/daemon/estimate"
)

const gasIntro = `The gas sensor. Two ways, and what each may claim:

  clean air   gives bands that err early: trace, warning and leave come at a fraction of what
              they would by a test mix, nuisance alarms are to be expected, and no %LEL is shown.
              A sheet's clean-air ratio that is off by 2 misplaces every level by more than 5.
  test mix    a certified, non-flammable mix of propane or butane in air, 300 to 8500 ppm, under
              the hood of its kit. Then %LEL is shown, true gas being 0.5 to 2.4 times of it.

Never test with lighter gas, a cylinder, or anything that is not such a mix: it harms the sensor
and can burn. Use the mix as its maker says, outside or with every door open, no flame about. A
new sensor wants one to two days of power first. The certified alarm stays on all the while: it
is the watch. If you smell gas or do not know where a vapour comes from, this is not the moment.

Open the doors, wait a quarter of an hour, then press Enter; q to leave.`

const mixAsk = `
Clean air is taken. For a test mix, let it flow now. The alarms will sound, as they should: the
sensor sees gas. Acknowledge and reset them afterwards. When the signal stands, say what the
certificate says, like: 850 ppm propane; or just Enter to stay with clean air.`

// gas leads through the steps.
func (c *calibration) gas(ctx context.Context) error {
	if c.now.Gas == nil || c.now.GasV == nil && !c.now.Gas.WarmingUp {
		why := "no reading yet"
		if c.now.Gas != nil {
			why = c.now.Gas.Why
		}
		return fmt.Errorf("the gas sensor does not answer: %s; see frostline check", why)
	}
	if _, err := c.answer(ctx, gasIntro, c.smell); err != nil {
		return err
	}
	if err := c.step(ctx, estimate.CalibrationStep{Begin: estimate.TheGas}); err != nil {
		return err
	}
	if err := c.step(ctx, estimate.CalibrationStep{CleanAir: true}); err != nil {
		return errors.Join(err, c.step(ctx, estimate.CalibrationStep{End: estimate.TheGas}))
	}
	for {
		text, err := c.answer(ctx, mixAsk, c.smell)
		if err == nil && text != "" {
			share, gas := text, ""
			if i := strings.LastIndexByte(text, ' '); i > 0 {
				share, gas = text[:i], text[i+1:]
			}
			var mix estimate.TestMix
			if mix, err = parseMix(share, gas); err == nil {
				err = c.step(ctx, estimate.CalibrationStep{Mix: &mix})
			}
		}
		if err != nil && !errors.Is(err, errLeft) {
			c.say("   Not taken: " + err.Error())
			continue
		}
		if e := c.step(ctx, estimate.CalibrationStep{End: estimate.TheGas}); err == nil {
			err = e
		}
		if err != nil {
			return err
		}
		return c.keep()
	}
}

// smell is the gas signal in words.
func (c *calibration) smell() string {
	g := c.now.Gas
	if g == nil {
		return "no reading"
	}
	volts := "no reading"
	if c.now.GasV != nil {
		volts = sig(*c.now.GasV, 4) + " V"
	}
	if g.WarmingUp {
		return fmt.Sprintf("%s, warming up, %s left", volts, (time.Duration(g.WarmLeftS) * time.Second).Round(time.Second))
	}
	return fmt.Sprintf("%s, %s: %s", volts, g.Band, g.Why)
}

// writeGasRecord writes a record to be printed and kept.
func writeGasRecord(b io.Writer, r estimate.GasRecord) {
	f := func(what, format string, args ...any) {
		fmt.Fprintf(b, "%-10s %s\n", what, fmt.Sprintf(format, args...))
	}
	fmt.Fprintln(b, "frostline: calibration of the gas sensor")
	f("made", "%s, by the %s", madeAt(r.Made), r.Actor)
	if r.R0Ohm > 0 {
		f("R0", "%s ohm", sig(r.R0Ohm, 5))
	}
	if r.Ohm > 0 {
		f("measured", "%s ohm, moving by %s %%", sig(r.Ohm, 5), sig(100*r.SDFrac, 2))
	}
	if r.MixPpm > 0 {
		f("mix", "%s ppm of %s in air", sig(r.MixPpm, 5), r.MixGas)
	}
	f("claims", "%s", r.Says())
	for _, n := range r.Notes {
		f("note", "%s", n)
	}
	fmt.Fprintf(b, "\nA low reading proves nothing about other places in the van.\n%s", disclaimer)
}
