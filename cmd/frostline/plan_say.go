package main

import (
	"fmt"
	"math"
	"slices"
	"strings"
	"text/tabwriter"

	"frostline/daemon/nights"
	"frostline/daemon/show"
	"frostline/daemon/supply"
)

const (
	planRows   = 12   // of the draw, beside its start and end
	planHourly = 36.0 // longer draws have rows for days
)

// say is a plan for people.
func (p planLine) say(plan nights.Planned) string {
	var b strings.Builder
	likely := plan.Runs[0]
	p.sayWhat(&b, plan)
	if len(likely.Course) > 0 {
		p.sayCourse(&b, likely)
		p.sayRuns(&b, plan)
	}
	fmt.Fprintf(&b, "\nFirst to fail: %s.%s\n", p.sayEnd(plan, likely), p.sayEnds(plan))
	if likely.Ends != nights.NotFollowed {
		fmt.Fprintf(&b, "Everything at full input without a pause: %s.\n", p.sayFull(plan))
	}
	p.sayRisk(&b, likely)
	for _, g := range plan.NotAssessed {
		when := ""
		if g.FromH > 0 {
			when = " from " + p.units.Number(g.FromH, show.H) + " on"
		}
		fmt.Fprintf(&b, "Not assessed%s: %s: %s.\n", when, g.What, g.Why)
	}
	p.sayCautions(&b, plan)
	return b.String()
}

// sayWhat repeats what the plan rests on.
func (p planLine) sayWhat(b *strings.Builder, plan nights.Planned) {
	c, in := p.units, p.params
	t := tabwriter.NewWriter(b, 0, 0, 2, ' ', 0)
	fmt.Fprintf(t, "cylinder\t%s: %s L, %s mm inside; holds %s by the stamp\n", p.cylinder, number(in.Cylinder.VolumeL, 1), number(1000*in.Cylinder.DiameterM, 0), c.Number(p.stampKg, show.Kg))
	fuel := map[string]string{"propane": "propane", "butane": "n-butane", "unknown": "blend not known"}[p.blend]
	if fuel == "" {
		fuel = strings.ReplaceAll(p.blend, " by ", " propane in n-butane by ")
	}
	start := "at the air's temperature"
	if in.StartTempC != nil {
		start = "at " + c.Number(*in.StartTempC, show.C)
	}
	fmt.Fprintf(t, "fuel\t%s of it now, %s, %s\n", c.Number(in.StartKg, show.Kg), fuel, start)
	for i, d := range plan.Appliances {
		a := in.Appliances[i]
		when := "all of the time"
		if a.DutyFrac < 1 {
			when = number(100*a.DutyFrac, 0) + " % of the time"
		}
		if a.NightOnly {
			when += " at night"
		}
		input := ""
		for _, part := range strings.Split(p.appliances[i], ",")[1:] {
			if part = strings.TrimSpace(part); isInput(part) {
				input = part
			}
		}
		fmt.Fprintf(t, "%s\t%s: %s while on, %s; %s a day\n", a.Name, input, c.Number(d.FullKgPerH, show.KgPerH), when, c.Number(d.DayKg, show.Kg))
	}
	if len(plan.Appliances) > 1 {
		fmt.Fprintf(t, "together\t%s with everything on; %s a day\n", c.Number(plan.FullKgPerH, show.KgPerH), c.Number(plan.DayKg, show.Kg))
	}
	air := c.Number(in.AirLowC, show.C) + " throughout"
	if in.AirLowC != in.AirHighC {
		air = fmt.Sprintf("%s at 06:00, %s at 15:00", c.Number(in.AirLowC, show.C), c.Number(in.AirHighC, show.C))
	}
	fmt.Fprintf(t, "air\t%s; at %s m, %s kPa absolute\n", air, number(in.AltitudeM, 0), number(plan.AirKPa, 1))
	if ratio := number(plan.OrificeRatio, 2); ratio != "1.00" {
		fmt.Fprintf(t, "orifice\tan unchanged one passes %s of its flow at sea level; the flows above have it\n", ratio)
	}
	fmt.Fprintf(t, "regulator\t%s, needs %s gauge%s\n", [...]string{"one stage", "two stages"}[oneIf(in.TwoStage)], c.Number(plan.LeastGaugeKPa, show.KPa), p.sayLimit(plan))
	t.Flush()
}

func oneIf(yes bool) int {
	if yes {
		return 1
	}
	return 0
}

func (p planLine) sayLimit(plan nights.Planned) string {
	if plan.LimitTempC == nil {
		return ""
	}
	return ", which this fuel has at " + p.units.Number(*plan.LimitTempC, show.C)
}

// sayCourse is the draw as rows.
func (p planLine) sayCourse(b *strings.Builder, run nights.PlanRun) {
	c := p.units
	rows, stretch := planTable(run.Course)
	fmt.Fprintln(b)
	if stretch != "" {
		fmt.Fprintf(b, "the thinnest moment of every %s\n", stretch)
	}
	t := tabwriter.NewWriter(b, 0, 0, 2, ' ', tabwriter.AlignRight)
	mixed := run.Course[0].PropaneMassFrac > 0 && run.Course[0].PropaneMassFrac < 1
	fmt.Fprintf(t, "after h\tclock\tair %s\tfuel %s\t", c.Word(show.C), c.Word(show.Kg))
	if mixed {
		fmt.Fprint(t, "propane % mass\t")
	}
	fmt.Fprintf(t, "liquid %s\tgauge %s\tsupply ratio\tseat margin %s\tat least %s\tice at the seat\t\n", c.Word(show.C), c.Word(show.KPa), c.Word(show.K), c.Word(show.K))
	plain := func(v float64, u show.Unit) string {
		s, _, _ := c.Parts(v, v, v, u)
		return s
	}
	for _, m := range rows {
		ratio, margin, least, ice := "–", "–", "–", "–"
		if m.SupplyRatio != nil {
			ratio = plain(*m.SupplyRatio, show.Ratio)
		}
		if m.Seat != nil {
			margin, least, ice = plain(m.Seat.MarginK, show.K), plain(m.Seat.AdiabaticK, show.K), riskWord(m.Seat.Risk)
		}
		fmt.Fprintf(t, "%s\t%s\t%s\t%s\t", number(m.AfterH, 1), m.Clock, plain(m.AirTempC, show.C), plain(m.ContentsKg, show.Kg))
		if mixed {
			fmt.Fprintf(t, "%s\t", number(100*m.PropaneMassFrac, 0))
		}
		fmt.Fprintf(t, "%s\t%s\t%s\t%s\t%s\t%s\t\n", plain(m.LiquidTempC, show.C), plain(m.GaugeKPa, show.KPa), ratio, margin, least, ice)
	}
	t.Flush()
}

func riskWord(r supply.Risk) string { return strings.ReplaceAll(string(r), "-", " ") }

// planTable picks the rows: even hours of a short draw; of a long one the moment of least
// pressure of every so many days, for even hours would show the same time of each day.
func planTable(course []nights.PlanMoment) (rows []nights.PlanMoment, stretch string) {
	last := course[len(course)-1]
	if last.AfterH <= planHourly {
		everyH := 3.0
		for _, h := range []float64{1.0 / 6, 0.5, 1, 2} {
			if last.AfterH/h <= planRows {
				everyH = h
				break
			}
		}
		for i, m := range course {
			if n := m.AfterH / everyH; i == len(course)-1 || math.Abs(n-math.Round(n)) < 1e-6 {
				rows = append(rows, m)
			}
		}
		return rows, ""
	}
	days := int(math.Ceil(last.AfterH / 24 / planRows))
	stretch = "day"
	if days > 1 {
		stretch = fmt.Sprintf("%d days", days)
	}
	rows = append(rows, course[0])
	for from := 0.0; from < last.AfterH; from += 24 * float64(days) {
		thin := -1
		for i, m := range course[1:] {
			if m.AfterH > from && m.AfterH <= from+24*float64(days) && (thin < 0 || m.GaugeKPa < course[thin].GaugeKPa) {
				thin = i + 1
			}
		}
		if thin > 0 {
			rows = append(rows, course[thin])
		}
	}
	if rows[len(rows)-1].AfterH != last.AfterH {
		rows = append(rows, last)
	}
	return rows, stretch
}

// filmName says what a run assumes.
func filmName(r nights.PlanRun) string {
	if r.FilmWPerM2K == 0 {
		return number(r.UAWPerK, 1) + " W/K as given"
	}
	return number(r.FilmWPerM2K, 1) + " W/(m² K)"
}

// sayRuns is a line for each assumption about the heat from the air, the least first.
func (p planLine) sayRuns(b *strings.Builder, plan nights.Planned) {
	fmt.Fprintln(b)
	t := tabwriter.NewWriter(b, 0, 0, 2, ' ', 0)
	fmt.Fprintln(t, "heat from the air\tat the start\tlasts\tnights\tends by\tsupply ratio at the start, least")
	order := plan.Runs
	if len(order) == 3 {
		order = []nights.PlanRun{order[1], order[0], order[2]}
	}
	for _, r := range order {
		name := filmName(r)
		if r.FilmWPerM2K == supply.FilmWPerM2K {
			name += ", usual"
		}
		lasts := number2(r.AfterH)
		if r.Ends == supply.NoLimit {
			lasts = "over " + lasts
		}
		ratio := "–"
		if first := firstRatio(r); first != nil {
			ratio = number(*first, 2) + ", " + number(*r.LeastRatio.SupplyRatio, 2)
		}
		fmt.Fprintf(t, "%s\t%s W/K\t%s h\t%s\t%s\t%s\n", name, number(r.UAWPerK, 1), lasts, plainNights(r), endWord(r.Ends), ratio)
	}
	t.Flush()
}

func plainNights(r nights.PlanRun) string {
	s, _, _ := show.Choice{}.Parts(r.NightsN, r.NightsN, r.NightsN, show.Nights)
	return s
}

func endWord(ends supply.Limit) string {
	switch ends {
	case supply.NoLimit:
		return "–"
	case nights.NotFollowed:
		return "not assessed"
	}
	return string(ends)
}

func firstRatio(r nights.PlanRun) *float64 {
	for _, m := range r.Course {
		if m.SupplyRatio != nil {
			return m.SupplyRatio
		}
	}
	return nil
}

// number2 is hours in two to three figures.
func number2(h float64) string {
	s, _, _ := show.Choice{}.Parts(h, h, h, show.H)
	return s
}

func (p planLine) sayEnd(plan nights.Planned, r nights.PlanRun) string {
	c := p.units
	after := fmt.Sprintf("after %s h (%s)", number2(r.AfterH), show.Number(r.NightsN, show.Nights))
	if len(r.Course) == 0 {
		return fmt.Sprintf("not assessed: %s; by its contents alone it lasts %s h at most", r.Why, number2(plan.ByMassH))
	}
	end := r.Course[len(r.Course)-1]
	state := fmt.Sprintf("%s at %s", c.Number(end.ContentsKg, show.Kg), c.Number(end.LiquidTempC, show.C))
	switch r.Ends {
	case supply.PressureLimit:
		if r.AfterH == 0 {
			return fmt.Sprintf("pressure, from the start: %s stands at %s gauge and the regulator needs %s", state, c.Number(end.GaugeKPa, show.KPa), c.Number(plan.LeastGaugeKPa, show.KPa))
		}
		return fmt.Sprintf("pressure, %s: the cylinder is down to the %s gauge that the regulator needs, with %s still in it", after, c.Number(plan.LeastGaugeKPa, show.KPa), state)
	case supply.ContentsLimit:
		return fmt.Sprintf("contents, %s: the fuel is used up", after)
	case supply.NoLimit:
		return fmt.Sprintf("nothing within %s h (%s); then %s and %s gauge are left, %s h by contents", number2(r.AfterH), show.Number(r.NightsN, show.Nights), state, c.Number(end.GaugeKPa, show.KPa), number2(end.ByMassH))
	}
	return fmt.Sprintf("not assessed beyond %s h: %s; by its contents alone it lasts %s h at most", number2(r.AfterH), r.Why, number2(plan.ByMassH))
}

// sayEnds says how far the ends of the heat from the air lie apart.
func (p planLine) sayEnds(plan nights.Planned) string {
	if len(plan.Runs) < 3 || plan.Runs[0].Ends == nights.NotFollowed {
		return ""
	}
	word := func(r nights.PlanRun) string {
		return map[supply.Limit]string{supply.NoLimit: "nothing within ", supply.PressureLimit: "pressure after ", supply.ContentsLimit: "contents after "}[r.Ends] + number2(r.AfterH) + " h"
	}
	for _, r := range plan.Runs {
		if r.Ends == nights.NotFollowed {
			return " Not assessed at both ends of the heat from the air."
		}
	}
	low, high := word(plan.Runs[1]), word(plan.Runs[2])
	if low == high && low == word(plan.Runs[0]) {
		return " The same with the least and the most heat from the air."
	}
	return fmt.Sprintf(" With the least heat from the air %s, with the most %s.", low, high)
}

func (p planLine) sayFull(plan nights.Planned) string {
	var parts []string
	for _, r := range plan.Runs {
		s := map[supply.Limit]string{supply.NoLimit: "nothing within ", supply.PressureLimit: "pressure after ", supply.ContentsLimit: "contents after ",
			nights.NotFollowed: "not assessed beyond "}[r.FullEnds] + number2(r.FullAfterH) + " h"
		parts = append(parts, s)
	}
	if len(slices.Compact(slices.Clone(parts))) == 1 {
		return parts[0]
	}
	return parts[0] + ", with the least heat from the air " + parts[1] + ", with the most " + parts[2]
}

func (p planLine) sayRisk(b *strings.Builder, r nights.PlanRun) {
	if r.LeastMargin == nil {
		fmt.Fprintln(b, "Freeze-up risk at the regulator: not assessed. Vent plugging not assessed.")
		return
	}
	word := riskWord(r.Risk)
	if r.Risk == supply.NotExpected {
		word = "ice not expected at these temperatures; wet fuel and the vent not assessed"
	}
	fmt.Fprintf(b, "Freeze-up risk at the regulator: %s. Seat margin at full flow down to %s, if the fuel is wet, and without heat from its body %s. Vent plugging not assessed.\n",
		word, p.units.Number(r.LeastMargin.Seat.MarginK, show.K), p.units.Number(*r.LeastAdiabaticK, show.K))
}

func (p planLine) sayCautions(b *strings.Builder, plan nights.Planned) {
	likely := plan.Runs[0]
	fmt.Fprintln(b)
	if p.params.StartKg > p.stampKg*1.005 {
		fmt.Fprintf(b, "More than the %s it may hold by the stamp: do not use it; a filler takes fuel out.\n", p.units.Number(p.stampKg, show.Kg))
	}
	if likely.FullEnds == supply.PressureLimit && likely.AfterH > 0 {
		fmt.Fprintln(b, "Where the supply ratio is below 1, full input outruns the heat from the air and cools the liquid on until the pressure is gone; pauses put that off.")
	}
	if likely.MayCondense {
		fmt.Fprintln(b, "At times the air is colder than the liquid: gas may condense on its way, and liquid stand at the regulator when the next flame is lit.")
	}
	fmt.Fprint(b, "An estimate, ±30 %: the liquid follows the mean draw, the air is that about the cylinder, and a closed locker cools with it.\n"+
		"Commercial propane may have 15 % more pressure than propane, a fill with butane far less. Leave a reserve.\n"+
		"It does not replace a certified gas alarm, local codes or a qualified fitter.\n")
}

// picture is the plan as a picture.
func (p planLine) picture(plan nights.Planned) string {
	out := show.PlanPicture{Title: fmt.Sprintf("Plan: %s, %s of fuel", p.cylinder, p.units.Number(p.params.StartKg, show.Kg)),
		Desc: "first to fail: " + p.sayEnd(plan, plan.Runs[0]), LimitGaugeKPa: plan.LeastGaugeKPa, Units: p.units}
	for _, r := range plan.Runs {
		l := show.PlanLine{Label: filmName(r)}
		for _, m := range r.Course {
			l.Points = append(l.Points, show.PlanPoint{AfterH: m.AfterH, AirC: m.AirTempC, LiquidC: m.LiquidTempC, GaugeKPa: m.GaugeKPa, FuelKg: m.ContentsKg})
		}
		out.Lines = append(out.Lines, l)
	}
	return show.PlanSVG(out)
}
