package estimate

import (
	"fmt"
	"math"
	"strings"

	"frostline/daemon/supply"
	"frostline/sensors"
)

// Regulator is what an owner knows of the regulator. The zero value is a usual one.
type Regulator struct {
	TwoStage      bool
	LeastGaugeKPa float64 // least inlet pressure at which it holds its outlet; 0 takes [supply.LeastInletGaugeKPa]
}

func (r Regulator) leastGaugeKPa() float64 {
	if r.LeastGaugeKPa > 0 {
		return r.LeastGaugeKPa
	}
	return supply.LeastInletGaugeKPa
}

// Freeze is the freeze-up risk of the regulator's first seat, in words, with what it rests
// on. Whether the fuel is wet is never known. The numbers mean nothing unless Assessed.
type Freeze struct {
	Risk         supply.Risk
	Why          string // the reasons and the numbers; why it is not assessed
	ThrottledC   float64
	BodyC        float64
	SolidC       float64 // warmest temperature at which ice or hydrate can form there
	DepositGPerH float64 // most that can freeze out, if the fuel is saturated with water
	FlowKgPerH   float64 // the flow it is for: now, or of the flame that burned last
	BodyMeasured bool
	Outside      supply.Outside // what settles on the body; "" not known
	MayCondense  bool           // vapour that stands still may condense on the way to the regulator
	FreshFill    bool           // little used since it was filled: if it is wet, then most now
}

// Assessed reports whether anything can be said of the risk.
func (f Freeze) Assessed() bool { return f.Risk != supply.NotAssessed && f.Risk != "" }

// Risks lists the words of the freeze-up risk, the least told first.
func Risks() []string {
	return []string{string(supply.NotAssessed), string(supply.NotExpected), string(supply.PossibleIfWet), string(supply.LikelyIfWet)}
}

// Outlook is how long a burn can go on before the pressure or the fuel is at its end.
type Outlook struct {
	Name    string       // of the appliance at full input; "" for the burn of the last hour, "all" for all together
	KgPerH  float64      // the burn
	HoursH  Quantity     // until Ends; Low is for the poorest heat supply that is likely, High only of the last hour's burn
	Ends    supply.Limit // pressure, contents, or none within a month
	EndsLow supply.Limit // what ends it at HoursH.Low
}

// What may end an [Outlook], for those who do not import supply.
const (
	EndsByPressure = supply.PressureLimit
	EndsByContents = supply.ContentsLimit
)

// seat fills in the seat margin and the freeze-up risk.
func (v *vessel) seat(upS float64, out *Estimates, body Quantity) {
	f := Freeze{Risk: supply.NotAssessed}
	f.MayCondense = supply.Recondenses(v.tempC, v.airC) && (!out.BurnKgPerH.Known() || out.BurnKgPerH.Value <= leastFlowKgH)
	f.FreshFill = v.fresh && v.p.CapacityKg > 0 && v.kg > freshFillFrac*v.p.CapacityKg
	notAssessed := func(why string) {
		v.out.marginK = Unknown(why)
		f.Why = why
		v.out.freeze = f
	}
	switch {
	case !v.blendSet:
		notAssessed(noBlend)
		return
	case v.p.PropaneMassFrac < 1 && v.liquid.PropaneMassFrac() < depletedFrac:
		notAssessed("the liquid has lost most of its propane")
		return
	case !v.out.kPa.Known():
		notAssessed(v.out.kPa.Why)
		return
	case upS-v.flowS > flowHeldS && !out.BurnKgPerH.Known():
		notAssessed("the burn is not known: " + out.BurnKgPerH.Why)
		return
	case math.IsInf(v.flowS, -1):
		notAssessed("no gas has burned since the start, so nothing cools the seat")
		return
	case upS-v.flowS > flowHeldS:
		notAssessed("no gas has burned for half an hour, so nothing cools the seat")
		return
	}
	r := supply.Regulator{TwoStage: v.reg.TwoStage, BodyWPerK: supply.BodyWPerK, LeastGaugeKPa: v.reg.leastGaugeKPa()}
	in := supply.Inlet{LiquidTempC: v.tempC, AirTempC: clipC(v.airC), AirKPa: out.AirKPa.Value, FlowKgPerH: v.flowKgH}
	if body.Known() {
		in.BodyTempC, in.BodyKnown = body.Value, true
	}
	s, ok := r.Seat(v.liquid, in)
	if !ok {
		notAssessed("the gas is outside what the throttling is known for: -40 to 50 C, and pressure above the outlet")
		return
	}
	v.margins(upS, s, r, in, body)
	f.Risk, f.ThrottledC, f.BodyC, f.SolidC = s.Risk(), s.ThrottledC, s.BodyC, s.SolidC
	f.DepositGPerH, f.FlowKgPerH, f.BodyMeasured = s.DepositGPerH, v.flowKgH, in.BodyKnown
	if q := v.out.marginK; f.Risk == supply.NotExpected && (q.Low <= supply.CautionK) {
		f.Risk = supply.PossibleIfWet
	}
	// Saturated (physics.md 7.4): the humidity that may be wired is the cabin's, beside the gas
	// sensor, and the locker breathes the air outside.
	f.Outside, _ = supply.Settles(s.BodyC, in.AirTempC, 100)
	if old := v.out.freeze; upS-v.sayS < sayEveryS && old.Risk == f.Risk && old.FreshFill == f.FreshFill {
		f.Why = old.Why
	} else {
		v.sayS = upS
		f.Why = f.said(s)
	}
	v.out.freeze = f
}

// depletedFrac is the propane by mass below which a blend is butane-rich: its pressure says
// little and the seat is not assessed (physics.md 7.4). Engineering judgement.
const depletedFrac = 0.2

// margins writes the seat margin; its low end is the adiabatic bound.
func (v *vessel) margins(upS float64, s supply.Seat, r supply.Regulator, in supply.Inlet, body Quantity) {
	high := s.MarginK
	if in.BodyKnown {
		high += body.High - body.Value
	} else {
		r.BodyWPerK = supply.MostBodyWPerK
		in.FlowKgPerH = max(in.FlowKgPerH-1.96*v.flowSDKg, leastFlowKgH)
		if warm, ok := r.Seat(v.liquid, in); ok {
			high = warm.MarginK
		}
		high += 1.96 * v.sdK()
	}
	low := s.AdiabaticK - 1.96*v.sdK()
	// The threshold is known to 1 K.
	q := Quantity{Value: s.MarginK, Low: min(low, s.MarginK) - 1, High: max(high, s.MarginK) + 1, Quality: sensors.Good, At: seconds(upS)}
	if upS-v.flowS > 2*vesselStepS {
		q.Quality, q.Why, q.At = sensors.Suspect, "as when gas burned last", seconds(v.flowS)
	} else if !in.BodyKnown {
		q.Quality, q.Why = sensors.Suspect, "the regulator's own temperature is modelled, not measured"
	}
	v.out.marginK = q
}

// said is the reasons and the numbers behind the risk.
func (f Freeze) said(s supply.Seat) string {
	var b strings.Builder
	how := "modelled"
	if f.BodyMeasured {
		how = "measured"
	}
	fmt.Fprintf(&b, "seat %s %s °C, coldest gas %s °C, ice or hydrate below %s °C", how, whole(s.BodyC), whole(s.ThrottledC), whole(s.SolidC))
	if s.DepositGPerH >= 0.005 && f.Risk != supply.NotExpected {
		fmt.Fprintf(&b, ", at most %.2f g/h of it if the fuel is wet", s.DepositGPerH)
	}
	if f.FreshFill {
		b.WriteString("; if it is wet, then most now, soon after the fill")
	}
	b.WriteString("; vent plugging not assessed")
	return b.String()
}

// whole is a temperature without decimals and without a negative zero.
func whole(c float64) string { return fmt.Sprintf("%.0f", math.Round(c)+0) }

// outlooks keeps the outlooks of the last hour's burn, of each appliance and of all together.
// They are the dearest numbers of a tick, so after the first time one is worked out anew at
// a time, each within outlookEveryS.
func (v *vessel) outlooks(upS float64, out *Estimates) {
	n := len(v.apps)
	if n > 1 {
		n++ // all together
	}
	first := !v.outlooked
	if !first && upS-v.outlookS < outlookEveryS/float64(n+1) {
		return
	}
	v.outlookS, v.outlooked = upS, true
	list := make([]Outlook, n)
	copy(list, v.out.appliances)
	for k := range n + 1 {
		if !first && k != v.outlookN {
			continue
		}
		if k == n {
			v.out.outlook = v.lasts(upS, "", v.meanKgH, out)
			continue
		}
		name, kgPerH := v.input(k)
		list[k] = v.lasts(upS, name, kgPerH, out)
	}
	v.outlookN = (v.outlookN + 1) % (n + 1)
	if n > 0 {
		v.out.appliances = list
	}
}

// input is the full input of an appliance, or after the last one of all together.
func (v *vessel) input(k int) (name string, kgPerH float64) {
	if k < len(v.apps) {
		return v.apps[k].Name, kgPerHFromKW(v.apps[k].RatedKW)
	}
	for _, a := range v.apps {
		kgPerH += kgPerHFromKW(a.RatedKW)
	}
	return "all", kgPerH
}

// over names the fewest appliances that together burn more than can boil off for ever, the
// largest first; nil if all of them do not.
func (v *vessel) over(vapour Quantity) []string {
	if !vapour.Known() {
		return nil
	}
	sum := 0.0
	for n, i := range v.byInput {
		if sum += kgPerHFromKW(v.apps[i].RatedKW); sum <= vapour.Value {
			continue
		}
		if v.out.over != nil && len(v.out.over) == n+1 {
			return v.out.over // never changed once told, so it may be told again
		}
		names := make([]string, n+1)
		for k, i := range v.byInput[:n+1] {
			names[k] = v.apps[i].Name
		}
		return names
	}
	return nil
}

func (v *vessel) lasts(upS float64, name string, kgPerH float64, out *Estimates) Outlook {
	o := Outlook{Name: name, KgPerH: kgPerH}
	switch {
	case kgPerH < leastFlowKgH:
		o.HoursH = Unknown("nothing is burning")
		return o
	case !v.out.kPa.Known():
		o.HoursH = v.out.kPa
		return o
	}
	spread := math.Exp(1.96 * v.filmSDLn())
	film := supply.FilmWPerM2K * math.Exp(v.lnFilm)
	half := 1.96 * v.sdK()
	kg := out.FuelKg
	if !kg.Known() {
		kg = Quantity{Value: v.kg, Low: v.kg, High: v.kg}
	}
	least := out.AirKPa.Value + v.reg.leastGaugeKPa()
	draw := supply.Draw{AirTempC: clipC(v.airC), FilmWPerM2K: film, KgPerH: kgPerH, LeastKPa: least}
	mid, ok1 := v.shape.Endure(v.liquid, supply.Contents{ContentsKg: v.kg, LiquidTempC: v.tempC}, draw)
	draw.FilmWPerM2K, draw.AirTempC, draw.LeastKPa = film/spread, clipC(v.airC-1.96*v.airSDK), least+(out.AirKPa.High-out.AirKPa.Value)
	low, ok2 := v.shape.Endure(v.lean, supply.Contents{ContentsKg: max(kg.Low, leastModelKg), LiquidTempC: v.tempC - half}, draw)
	if leastC, _ := span(v.lean); v.tempC-half < leastC { // no regulator holds with so little
		low, ok2 = supply.Endurance{Ends: supply.PressureLimit}, true
	}
	if kg.Low/kgPerH < low.AfterH {
		low.AfterH, low.Ends = kg.Low/kgPerH, supply.ContentsLimit
	}
	high := mid
	if name == "" { // the rich end matters to nobody who asks whether an appliance can run
		draw.FilmWPerM2K, draw.AirTempC, draw.LeastKPa = film*spread, clipC(v.airC+1.96*v.airSDK), least
		if e, ok := v.shape.Endure(v.liquid, supply.Contents{ContentsKg: max(kg.High, v.kg), LiquidTempC: v.tempC + half}, draw); ok {
			high = e
		}
	}
	if !ok1 || !ok2 {
		o.HoursH = Unknown("the liquid or the air is outside what the model holds for")
		return o
	}
	o.Ends, o.EndsLow = mid.Ends, low.Ends
	o.HoursH = Quantity{Value: mid.AfterH, Low: min(low.AfterH, mid.AfterH), High: max(high.AfterH, mid.AfterH),
		Quality: v.out.kPa.Quality, Why: v.out.kPa.Why, At: seconds(upS)}
	return o
}
