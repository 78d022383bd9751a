package main

import (
	"context"
	"encoding/json"
	"flag"
	"fmt"
	"os"
	"slices"
	"strings"
	"time"

	"frostline/config"
	"frostline/daemon/lpg"
	"frostline/daemon/nights"
	"frostline/daemon/show"
	"frostline/daemon/supply"
)

const planExamples = `  frostline plan --cylinder us-20lb --appliance "heater, 2.2 kW net, 40 %" --air "-15 C"
  frostline plan --cylinder de-11kg --fill "60 %" --air-low "-8 C" --air-high "4 C" --altitude "1500 m" \
      --appliance "heater, 2 kW net, 50 %, night" --appliance "cooktop, 150 g/h, 5 %" --svg plan.svg
  frostline plan --cylinder us-30lb --blend "95 % by volume" --units us --air "5 F" --appliance "furnace, 12000 BTU/h gross, 35 %"
`

// planLine is what the command line says, beside the parameters that came of it.
type planLine struct {
	params     nights.PlanParams
	cylinder   string
	stampKg    float64 // fill by the stamp
	blend      string
	appliances []string // as given
	units      show.Choice
	json       bool
	svg        string
}

func planCmd(_ context.Context, w world, fs *flag.FlagSet, args []string) error {
	line, err := readPlan(fs, args)
	if err != nil {
		return err
	}
	plan, err := nights.Plan(line.params)
	if err != nil {
		return usagef("%v", err)
	}
	if line.svg != "" {
		if err := os.WriteFile(line.svg, []byte(line.picture(plan)+"\n"), 0o644); err != nil {
			return err
		}
	}
	if line.json {
		enc := json.NewEncoder(w.out)
		enc.SetIndent("", "  ")
		return enc.Encode(plan)
	}
	_, err = w.out.Write([]byte(line.say(plan)))
	return err
}

// quantity is a flag with a unit; each is read by what its dimension needs.
type quantity struct {
	text     *string
	name     string
	parse    func(string) (float64, error)
	to       *float64
	positive bool // its 0 would mean that it was not given
}

// readPlan reads the flags into parameters.
func readPlan(fs *flag.FlagSet, args []string) (planLine, error) {
	var p planLine
	var waterL, outsideMM, airC float64
	var given []quantity
	add := func(name, def, usage string, parse func(string) (float64, error), to *float64) {
		given = append(given, quantity{fs.String(name, def, usage), name, parse, to,
			slices.Contains([]string{"water-capacity", "diameter", "least-inlet", "conductance", "horizon"}, name)})
	}
	cylinder := fs.String("cylinder", "", "common `size`, listed below, or the fill by the stamp, \"9.1 kg\"")
	add("water-capacity", "", "water capacity (`WC`) on the collar, where the size is none of these", config.ParseL, &waterL)
	add("diameter", "", "outside `diameter`, where the size is none of these", config.ParseMM, &outsideMM)
	fill := fs.String("fill", "100 %", "`fuel` in it now, as a mass or in % of the fill by the stamp")
	blend := fs.String("blend", "propane", "`fuel`: propane, butane, unknown, or propane in n-butane as \"60 % by mass\", mole or volume (US trade percent)")
	fs.Func("appliance", "`what` draws, once for each: \"NAME, INPUT, DUTY, night\"; input in kW or BTU/h with net or gross, or in g/h;\n"+
		strings.Repeat(" ", 25)+"duty is the share of the time that it is on (default 100 %); night: in the night alone", func(text string) error {
		a, err := parseAppliance(text)
		p.params.Appliances = append(p.params.Appliances, a)
		p.appliances = append(p.appliances, text)
		return err
	})
	add("air", "", "`temperature` about the cylinder", config.ParseC, &airC)
	add("air-low", "", "instead, the lowest `temperature` of the day, at 06:00", config.ParseC, &p.params.AirLowC)
	add("air-high", "", "and the highest `temperature`, at 15:00", config.ParseC, &p.params.AirHighC)
	var startC float64
	add("start-liquid", "", "`degrees` of the liquid at the start (default the air's)", config.ParseC, &startC)
	add("altitude", "0 m", "`height` above the sea; an orifice that was not changed passes less up there", config.ParseM, &p.params.AltitudeM)
	stages := fs.Int("stages", 1, "`number` of stages of the regulator, 1 or 2")
	add("least-inlet", "75 kPa", "gauge `pressure` that the regulator needs, by its data sheet", config.ParseGaugeKPa, &p.params.LeastGaugeKPa)
	add("conductance", "", "`heat` that the cylinder takes from the air, if measured, as \"2.9 W/K\"", config.ParseWPerK, &p.params.UAWPerK)
	night := fs.String("night", "18:00-10:00", "`hours` of a night; the plan begins with one")
	add("horizon", "31 d", "`time` to look ahead", config.ParseH, &p.params.HorizonH)
	units := fs.String("units", "metric", "`system` of the table and picture: metric, or us (lb, °F, psi)")
	fs.BoolVar(&p.json, "json", false, "as JSON, metric; every key ends in its unit")
	fs.StringVar(&p.svg, "svg", "", "write a picture to this `file`: liquid, pressure and fuel on one time axis")
	words, err := parse(fs, args)
	switch {
	case err != nil:
		return p, err
	case noWords(words) != nil:
		return p, noWords(words)
	}
	set := map[string]bool{}
	fs.Visit(func(f *flag.Flag) { set[f.Name] = true })
	for _, q := range given {
		if *q.text == "" {
			continue
		}
		if *q.to, err = q.parse(*q.text); err != nil {
			return p, usagef("--%s: %v", q.name, err)
		}
		if !(*q.to > 0) && q.positive {
			return p, usagef("--%s must be above 0; leave it out where it is not known", q.name)
		}
	}
	if set["start-liquid"] {
		p.params.StartTempC = &startC
	}
	if err := p.air(set, airC); err != nil {
		return p, err
	}
	if *stages != 1 && *stages != 2 {
		return p, usagef("--stages must be 1 or 2")
	}
	p.params.TwoStage = *stages == 2
	return p, p.more(*cylinder, *fill, *blend, *night, *units, waterL, outsideMM)
}

// air takes one temperature, or the two of a day.
func (p *planLine) air(set map[string]bool, airC float64) error {
	switch {
	case set["air"] && !set["air-low"] && !set["air-high"]:
		p.params.AirLowC, p.params.AirHighC = airC, airC
	case set["air"] || set["air-low"] != set["air-high"] || !set["air-low"]:
		return usagef("give either --air, or --air-low and --air-high")
	}
	return nil
}

// more reads what is no plain quantity.
func (p *planLine) more(cylinder, fill, blend, night, units string, waterL, outsideMM float64) error {
	var err error
	if p.params.Fuel, err = parseBlend(blend); err != nil {
		return usagef("--blend: %v", err)
	}
	p.blend = blend
	if err := p.shape(cylinder, waterL, outsideMM); err != nil {
		return err
	}
	if p.params.StartKg, err = parseFill(fill, p.stampKg); err != nil {
		return usagef("--fill: %v", err)
	}
	if p.params.NightStartMin, p.params.NightEndMin, err = parseNight(night); err != nil {
		return usagef("--night: %v", err)
	}
	switch units {
	case "metric":
	case "us":
		p.units = show.Choice{Pounds: true, Fahrenheit: true, Pressure: show.InPsi}
	default:
		return usagef("--units %q: take metric or us", units)
	}
	if len(p.params.Appliances) == 0 {
		return usagef("say what draws, as --appliance \"heater, 2.2 kW net, 40 %%\"")
	}
	return nil
}

func sizeNames() string {
	var names []string
	for _, s := range supply.Sizes() {
		names = append(names, s.Name)
	}
	return strings.Join(names, ", ")
}

// shape finds the cylinder by its common size or by what its collar says.
func (p *planLine) shape(cylinder string, waterL, outsideMM float64) error {
	size, named := supply.Named(cylinder)
	switch {
	case named:
		p.cylinder, p.stampKg, p.params.Cylinder = size.Name, size.FillKg, size.Cylinder()
		if size.FromMemory {
			p.cylinder += " (its dimensions have no source here; the collar rules)"
		}
	case cylinder != "":
		kg, err := config.ParseKg(cylinder)
		if err != nil {
			return usagef("--cylinder %q: take one of %s, or the fill by the stamp as \"9.1 kg\"", cylinder, sizeNames())
		}
		guess, ok := supply.Guess(kg)
		if !ok {
			return usagef("--cylinder %q: a fill by the stamp must lie between 0.4 and 200 kg; for more give a common size", cylinder)
		}
		p.cylinder, p.stampKg, p.params.Cylinder = "a common shape, guessed from its fill", kg, guess
	case waterL > 0: // propane's filling density, which is less than butane's
		kg, _ := lpg.Pure(lpg.Propane).FillLimitKg(waterL)
		if fuelKg, ok := p.params.Fuel.FillLimitKg(waterL); ok {
			kg = fuelKg
		}
		guess, ok := supply.Guess(kg)
		if !ok {
			return usagef("--water-capacity: a cylinder of %s L is smaller or larger than any; check the unit", sig(waterL, 3))
		}
		p.cylinder, p.stampKg, p.params.Cylinder = "by its collar", kg, guess
	default:
		return usagef("say which cylinder: --cylinder with one of %s or the fill by its stamp, or --water-capacity", sizeNames())
	}
	shape, ok := p.params.Cylinder.Resized(waterL, outsideMM)
	if !ok {
		return usagef("no upright cylinder has this water capacity and diameter; give --water-capacity and --diameter as the collar and a tape say")
	}
	p.params.Cylinder = shape
	return nil
}

func parseFill(text string, stampKg float64) (float64, error) {
	if strings.HasSuffix(strings.TrimSpace(text), "%") {
		pct, err := config.ParsePct(text)
		return pct / 100 * stampKg, err
	}
	return config.ParseKg(text)
}

// parseBlend reads "propane", "butane", "unknown" or "60 % by mass".
func parseBlend(text string) (lpg.Fuel, error) {
	switch text {
	case "propane":
		return lpg.Pure(lpg.Propane), nil
	case "butane":
		return lpg.Pure(lpg.NButane), nil
	case "unknown":
		return lpg.Fuel{}, nil
	}
	share, basis, _ := strings.Cut(text, " by ")
	pct, err := config.ParsePct(share)
	if err != nil {
		return lpg.Fuel{}, fmt.Errorf("%q: write propane, butane, unknown or \"60 %% by mass\"", text)
	}
	blend := map[string]func(float64, lpg.Substance) (lpg.Fuel, bool){
		"mass": lpg.BlendByMass, "mole": lpg.BlendByMole, "volume": lpg.BlendByLiquidVolume60F}[strings.TrimSpace(basis)]
	if blend == nil {
		return lpg.Fuel{}, fmt.Errorf("%q: say of what, by mass, by mole or by volume (US trade percent, of liquid at 60 F)", text)
	}
	fuel, ok := blend(pct/100, lpg.NButane)
	if !ok {
		return lpg.Fuel{}, fmt.Errorf("%q: must lie between 0 and 100 %%", text)
	}
	return fuel, nil
}

// parseAppliance reads "heater, 2.2 kW net, 40 %, night".
func parseAppliance(text string) (nights.PlanAppliance, error) {
	parts := strings.Split(text, ",")
	a := nights.PlanAppliance{Name: strings.TrimSpace(parts[0]), DutyFrac: 1}
	if len(parts) < 2 || a.Name == "" {
		return a, fmt.Errorf("write it as \"heater, 2.2 kW net, 40 %%\"")
	}
	duty, inputs := 0, 0
	for _, part := range parts[1:] {
		part = strings.TrimSpace(part)
		if isInput(part) {
			if inputs++; inputs > 1 {
				return a, fmt.Errorf("%q: the input comes once", part)
			}
		}
		input, basis := part, lpg.Basis(0)
		if before, ok := strings.CutSuffix(part, " net"); ok {
			input, basis = before, lpg.Net
		} else if before, ok := strings.CutSuffix(part, " gross"); ok {
			input, basis = before, lpg.Gross
		}
		flow, flowErr := config.ParseKgPerH(input)
		var err error
		switch {
		case part == "night":
			a.NightOnly = true
		case strings.HasSuffix(part, "%"):
			if duty++; duty > 1 {
				return a, fmt.Errorf("%q: the share of the time comes once", part)
			}
			var pct float64
			pct, err = config.ParsePct(part)
			a.DutyFrac = pct / 100
		case flowErr == nil && basis != 0:
			err = fmt.Errorf("%q: a flow has no net or gross; leave it out", part)
		case flowErr == nil:
			a.KgPerH = flow
		default:
			a.Basis = basis
			if a.InputKW, err = config.ParseKW(input); err == nil && basis == 0 {
				err = fmt.Errorf("%q: say \"%s net\" (Hi) or \"%s gross\" (Hs) as its plate does; US plates are gross, European ones either", part, part, part)
			}
		}
		if err != nil {
			return a, err
		}
	}
	return a, nil
}

// isInput tells the input of an appliance from its hours and its share of the time.
func isInput(part string) bool { return part != "night" && !strings.HasSuffix(part, "%") }

// parseNight reads "18:00-10:00".
func parseNight(text string) (fromMin, toMin int, err error) {
	from, to, _ := strings.Cut(text, "-")
	a, errA := time.Parse("15:04", strings.TrimSpace(from))
	b, errB := time.Parse("15:04", strings.TrimSpace(to))
	if errA != nil || errB != nil {
		return 0, 0, fmt.Errorf("%q: write it like \"18:00-10:00\"", text)
	}
	return a.Hour()*60 + a.Minute(), b.Hour()*60 + b.Minute(), nil
}
