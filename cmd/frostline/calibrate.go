package main

import (
	"bufio"
	"context"
	"errors"
	"flag"
	"fmt"
	"io"
	"math"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"frostline/config"
	"frostline/daemon/core"
	"frostline/daemon/estimate"
)

const calibrateExamples = `  frostline calibrate scale
  frostline calibrate scale --record calibration.txt
  frostline calibrate scale --list
  frostline calibrate scale --undo
  frostline calibrate scale --zero
  frostline calibrate scale --weight "10.02 kg" --kind shop
  frostline calibrate scale --water "10 L" --water-temp "12 C" --container "0.42 kg"
  frostline calibrate scale --end
  frostline calibrate gas
  frostline calibrate gas --clean-air
  frostline calibrate gas --mix "850 ppm" --mix-gas propane
`

// calibrateFlags are what the command line says; the words after calibrate name what.
type calibrateFlags struct {
	conf, state, record             string
	undo, list, zero, end, cleanAir bool
	weight, kind, within            string
	water, waterTemp, container     string
	mix, mixGas                     string
}

func calibrateCmd(ctx context.Context, w world, fs *flag.FlagSet, args []string) error {
	var f calibrateFlags
	fs.StringVar(&f.conf, "config", defaultConfig, "configuration `file`")
	fs.StringVar(&f.state, "state", "", "state `directory`, instead of the configuration's")
	fs.StringVar(&f.record, "record", "", "write the record of the calibration to a `file`, to print and keep")
	fs.BoolVar(&f.undo, "undo", false, "go back to the calibration before")
	fs.BoolVar(&f.list, "list", false, "the calibrations that are kept")
	fs.BoolVar(&f.zero, "zero", false, "scale: the cradle is empty now, hose and regulator hang as always")
	fs.StringVar(&f.weight, "weight", "", "scale: this `mass` stands on the empty cradle now")
	fs.StringVar(&f.kind, "kind", estimate.Shop, "scale: how the weight is known: shop (weighed) or stated (cast or printed on it)")
	fs.StringVar(&f.within, "within", "", "scale: `mass` by which the weight may be off, one standard deviation; else by its kind")
	fs.StringVar(&f.water, "water", "", "scale: this `volume` of water stands on the empty cradle now")
	fs.StringVar(&f.waterTemp, "water-temp", "", "scale: `temperature` of the water")
	fs.StringVar(&f.container, "container", "", "scale: `mass` of the container of the water")
	fs.BoolVar(&f.end, "end", false, "scale: the cylinder is back; gas: done")
	fs.BoolVar(&f.cleanAir, "clean-air", false, "gas: the van was aired and the sensor is warm")
	fs.StringVar(&f.mix, "mix", "", "gas: this `share` of gas by volume flows over the sensor now")
	fs.StringVar(&f.mixGas, "mix-gas", "propane", "gas: propane or butane, by the label of the mix")
	words, err := parse(fs, args)
	if err != nil {
		return err
	}
	if len(words) != 1 || words[0] != estimate.TheScale && words[0] != estimate.TheGas {
		return usagef("say what: frostline calibrate scale, or frostline calibrate gas")
	}
	what := words[0]
	steps, err := f.steps(what)
	if err != nil {
		return err
	}
	dir := f.state
	if dir == "" {
		cfg, err := config.Load(f.conf)
		if err != nil {
			return err
		}
		dir = cfg.StateDir
	}
	if err := mayRecord(f.record); err != nil {
		return err
	}
	c := &calibration{what: what, daemon: newControl(dir), out: w.out, record: f.record, in: w.in, live: isTerminal(w.out)}
	if err := c.look(ctx); err != nil {
		if errors.Is(err, errNoDaemon) {
			return fmt.Errorf("%w; a calibration is made by the daemon that weighs, so that it is in its recording: start it with systemctl start frostline, or frostline run --config %s", err, f.conf)
		}
		return err
	}
	switch {
	case f.list:
		return c.list()
	case f.undo:
		return c.undo(ctx)
	case len(steps) > 0:
		return c.script(ctx, steps)
	case what == estimate.TheScale:
		return c.scale(ctx)
	}
	return c.gas(ctx)
}

// mayRecord says before the weighing whether its record can be written after it.
func mayRecord(file string) error {
	if file == "" {
		return nil
	}
	_, none := os.Stat(file)
	f, err := os.OpenFile(file, os.O_WRONLY|os.O_CREATE, 0o644)
	if err != nil {
		return fmt.Errorf("--record: %w; nothing was calibrated: name a file that the user who runs this may write, like /tmp/calibration.txt", err)
	}
	f.Close()
	if errors.Is(none, os.ErrNotExist) { // it comes with the record
		if made, err := filepath.EvalSymlinks(file); err == nil { // a link stays
			os.Remove(made)
		}
	}
	return nil
}

// steps are what the flags ask for, in the order they are to be taken.
func (f *calibrateFlags) steps(what string) ([]estimate.CalibrationStep, error) {
	var steps []estimate.CalibrationStep
	var scale, gas []string
	if f.zero {
		scale, steps = append(scale, "--zero"), append(steps, estimate.CalibrationStep{Zero: true})
	}
	if f.weight != "" || f.water != "" {
		k, err := f.known()
		if err != nil {
			return nil, err
		}
		scale, steps = append(scale, "--weight and --water"), append(steps, estimate.CalibrationStep{Weight: &k})
	}
	if f.cleanAir {
		gas, steps = append(gas, "--clean-air"), append(steps, estimate.CalibrationStep{CleanAir: true})
	}
	if f.mix != "" {
		m, err := parseMix(f.mix, f.mixGas)
		if err != nil {
			return nil, usagef("--mix: %v", err)
		}
		gas, steps = append(gas, "--mix"), append(steps, estimate.CalibrationStep{Mix: &m})
	}
	if f.end {
		steps = append(steps, estimate.CalibrationStep{End: what})
	}
	asked := len(steps)
	for _, alone := range []bool{f.undo, f.list} {
		if alone {
			asked++
		}
	}
	switch {
	case what == estimate.TheGas && len(scale) > 0:
		return nil, usagef("%s is for the scale", scale[0])
	case what == estimate.TheScale && len(gas) > 0:
		return nil, usagef("%s is for the gas sensor", gas[0])
	case asked > 1:
		return nil, usagef("one step at a time: the cradle cannot be empty and loaded at once")
	}
	return steps, nil
}

// known is the weight of the flags.
func (f *calibrateFlags) known() (k estimate.KnownWeight, err error) {
	read := func(name, text string, parse func(string) (float64, error), into *float64) {
		if text == "" || err != nil {
			return
		}
		if *into, err = parse(text); err != nil {
			err = usagef("--%s: %v", name, err)
		}
	}
	k.Kind = f.kind
	if f.water != "" {
		k.Kind = estimate.Water
		if f.weight != "" || f.waterTemp == "" {
			return k, usagef("--water goes with --water-temp and not with --weight")
		}
	}
	read("weight", f.weight, config.ParseKg, &k.Kg)
	read("within", f.within, config.ParseKg, &k.SDKg)
	read("water", f.water, config.ParseL, &k.VolumeL)
	read("water-temp", f.waterTemp, config.ParseC, &k.WaterC)
	read("container", f.container, config.ParseKg, &k.ContainerKg)
	if err == nil {
		if err = (estimate.CalibrationStep{Weight: &k}).Check(); err != nil {
			err = usagef("%v", err)
		}
	}
	return k, err
}

func parseMix(text, gas string) (estimate.TestMix, error) {
	if strings.Contains(strings.ToUpper(text), "LEL") || strings.Contains(strings.ToUpper(text), "LFL") {
		return estimate.TestMix{}, errors.New("a percentage of the lower limit says not which limit was meant, 1.7 or 2.1 % by volume; take the ppm or %vol from the certificate")
	}
	ppm, err := config.ParsePpm(text)
	if err != nil {
		return estimate.TestMix{}, err
	}
	m := estimate.TestMix{Ppm: ppm, Gas: gas}
	return m, estimate.CalibrationStep{Mix: &m}.Check()
}

// calibration is a person at the board who calibrates, and the daemon that does it.
type calibration struct {
	what   string
	daemon *control
	out    io.Writer
	record string
	in     io.Reader     // what the person types; a script's is left alone
	lines  <-chan string // the same by line, from the first question on; closed at its end
	live   bool          // the signal is shown while it is waited for
	now    calibrationState
}

// calibrationState is what the daemon says of it.
type calibrationState struct {
	Stamp struct {
		Tick         uint64 `json:"tick"`
		ClockTrusted bool   `json:"clock_trusted"`
	} `json:"stamp"`
	Begun string `json:"begun"`
	Load  *struct {
		Mean   float64 `json:"mean"`
		SD     float64 `json:"sd"`
		Spread float64 `json:"spread"`
		N      int     `json:"n"`
		AgeS   float64 `json:"age_s"`
		Steady bool    `json:"steady"`
	} `json:"load"`
	CellC   *float64                 `json:"cell_c"`
	Scale   *estimate.ScaleConstants `json:"scale"`
	Loads   []estimate.ScalePoint    `json:"loads"`
	Records []estimate.ScaleRecord   `json:"scale_records"`
	GasV    *float64                 `json:"gas_v"`
	Gas     *struct {
		Band      estimate.GasBand `json:"band"`
		Why       string           `json:"why"`
		WarmingUp bool             `json:"warming_up"`
		WarmLeftS float64          `json:"warm_left_s"`
	} `json:"gas"`
	GasRecords []estimate.GasRecord `json:"gas_records"`
	Fitted     bool                 `json:"sounder_fitted"`
	Heard      *core.Heard          `json:"sounder_heard"`
}

func (c *calibration) look(ctx context.Context) error {
	c.now = calibrationState{}
	return c.daemon.ask(ctx, "GET", "/api/calibration", nil, &c.now)
}

// do gives one command; what was done and is not kept is said and is no failure.
func (c *calibration) do(ctx context.Context, cmd core.Command) error {
	err := c.daemon.ask(ctx, "POST", "/api/command", cmd, nil)
	switch {
	case err != nil && strings.HasPrefix(err.Error(), core.ErrNotKept.Error()):
		c.say("   " + err.Error())
	case err != nil:
		return err
	}
	// What it did shows from the next tick on.
	tick := c.now.Stamp.Tick
	return c.until(ctx, func() bool { return c.now.Stamp.Tick > tick+1 })
}

func (c *calibration) step(ctx context.Context, s estimate.CalibrationStep) error {
	return c.do(ctx, core.Command{Calibrated: &s})
}

const (
	lookEvery = 500 * time.Millisecond
	lookMost  = 90 * time.Second
)

// until looks again and again, at most lookMost long.
func (c *calibration) until(ctx context.Context, ok func() bool) error {
	ctx, cancel := context.WithTimeout(ctx, lookMost)
	defer cancel()
	for {
		if err := c.look(ctx); err != nil {
			return err
		}
		if ok() {
			return nil
		}
		select {
		case <-ctx.Done():
			return errors.New("the daemon does not come to it; see frostline check")
		case <-time.After(lookEvery):
		}
	}
}

// script takes the steps of the flags; a calibration of the scale begins by itself.
func (c *calibration) script(ctx context.Context, steps []estimate.CalibrationStep) error {
	for _, s := range steps {
		if s.End == "" && (c.what == estimate.TheScale || s.Mix != nil) && c.now.Begun != c.what {
			if s.Mix != nil {
				return errors.New("begin in clean air: frostline calibrate gas --clean-air, then let the mix flow")
			}
			if err := c.step(ctx, estimate.CalibrationStep{Begin: c.what}); err != nil {
				return err
			}
		}
		if s.CleanAir {
			if err := c.step(ctx, estimate.CalibrationStep{Begin: c.what}); err != nil {
				return err
			}
		}
		if s.Zero || s.Weight != nil {
			if err := c.steady(ctx); err != nil {
				return err
			}
		}
		if err := c.step(ctx, s); err != nil {
			return err
		}
		if s.End != "" {
			fmt.Fprintln(c.out, "Ended. The cylinder on the scale is weighed again.")
			return nil
		}
	}
	if err := c.keep(); err != nil {
		return err
	}
	if c.what == estimate.TheScale {
		fmt.Fprintln(c.out, "\nWhat is on the scale is taken for no cylinder yet. When yours is back: frostline calibrate scale --end")
	}
	return nil
}

func (c *calibration) undo(ctx context.Context) error {
	if err := c.do(ctx, core.Command{CalibrationUndone: c.what}); err != nil {
		return err
	}
	fmt.Fprintln(c.out, "Undone. Now holds:")
	return c.keep()
}

// keep prints the record that holds, and writes it where it was asked for.
func (c *calibration) keep() error {
	text := c.recordText()
	if _, err := io.WriteString(c.out, "\n"+text); err != nil || c.record == "" {
		return err
	}
	if err := os.WriteFile(c.record, []byte(text), 0o644); err != nil {
		return fmt.Errorf("the calibration holds, but its record was not written: %w", err)
	}
	_, err := fmt.Fprintf(c.out, "\nWritten to %s: print it and keep it with the van's papers.\n", c.record)
	return err
}

func (c *calibration) recordText() string {
	var b strings.Builder
	if c.what == estimate.TheGas {
		if n := len(c.now.GasRecords); n > 0 {
			writeGasRecord(&b, c.now.GasRecords[n-1])
		} else {
			b.WriteString("The gas sensor goes by the configuration: no calibration is kept.\n")
		}
		return b.String()
	}
	switch n := len(c.now.Records); {
	case n > 0:
		writeScaleRecord(&b, c.now.Records[n-1])
	case c.now.Scale != nil:
		fmt.Fprintf(&b, "The scale goes by the configuration: %s counts/kg, zero at %s counts.\n",
			sig(c.now.Scale.CountsPerKg, 5), number(c.now.Scale.ZeroCounts, 0))
	default:
		b.WriteString("The scale has no slope yet: put a known weight on it.\n")
	}
	return b.String()
}

// list prints what is kept, newest first.
func (c *calibration) list() error {
	var b strings.Builder
	for i, r := range slices.Backward(c.now.Records) {
		if c.what == estimate.TheScale {
			fmt.Fprintf(&b, "%s  %s  %s%s\n", madeAt(r.Made), r.Actor, r.Says(), holds(i, len(c.now.Records)))
		}
	}
	for i, r := range slices.Backward(c.now.GasRecords) {
		if c.what == estimate.TheGas {
			fmt.Fprintf(&b, "%s  %s  %s%s\n", madeAt(r.Made), r.Actor, r.Says(), holds(i, len(c.now.GasRecords)))
		}
	}
	if b.Len() == 0 {
		b.WriteString(c.recordText())
	}
	_, err := io.WriteString(c.out, b.String())
	return err
}

func holds(i, n int) string {
	if i == n-1 {
		return " (holds)"
	}
	return ""
}

func madeAt(m estimate.Made) string {
	switch {
	case m.Wall.IsZero():
		return "date unknown"
	case !m.ClockTrusted:
		return core.FormatWall(m.Wall) + " (clock not set)"
	}
	return core.FormatWall(m.Wall)
}

// readLines hands over what a person types, line by line. The reader ends with the process:
// nothing can end a read of a terminal.
func readLines(in io.Reader) <-chan string {
	lines := make(chan string)
	if in == nil {
		close(lines)
		return lines
	}
	go func() {
		defer close(lines)
		for s := bufio.NewScanner(in); s.Scan(); {
			lines <- strings.TrimSpace(s.Text())
		}
	}()
	return lines
}

// errLeft means that the person went away in the middle.
var errLeft = errors.New("left before the end")

// answer prints a question and waits for a line. While it waits on a terminal, show is
// printed again and again in one line; elsewhere once. "q" leaves.
func (c *calibration) answer(ctx context.Context, question string, show func() string) (string, error) {
	if c.lines == nil {
		c.lines = readLines(c.in)
	}
	fmt.Fprintln(c.out, question)
	tell := func() {
		if show == nil {
			return
		}
		if err := c.look(ctx); err != nil {
			return
		}
		if c.live {
			fmt.Fprintf(c.out, "\r\x1b[K  %s", show())
			return
		}
		fmt.Fprintf(c.out, "  %s\n", show())
	}
	tell()
	again := time.NewTicker(lookEvery)
	defer again.Stop()
	for {
		select {
		case line, ok := <-c.lines:
			if !ok || line == "q" {
				return "", errLeft
			}
			return line, nil
		case <-ctx.Done():
			return "", errLeft
		case <-again.C:
			if c.live {
				tell()
			}
		}
	}
}

// sig writes a number with so many significant digits and no exponent.
func sig(v float64, digits int) string {
	if v == 0 || math.IsNaN(v) || math.IsInf(v, 0) {
		return "0"
	}
	return number(v, max(0, digits-1-int(math.Floor(math.Log10(math.Abs(v))))))
}

func (c *calibration) say(text string) { fmt.Fprintln(c.out, text) }
