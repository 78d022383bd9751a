package nights

import (
	"fmt"

	"frostline/daemon/lpg"
	"frostline/daemon/supply"
)

// keep judges the present moment and remembers it, and the worst of them. A run without
// pauses is asked for its end alone.
func (r *planRun) keep() {
	if !r.pauses {
		return
	}
	if n := len(r.all); n > 0 && r.all[n-1].AfterH == r.s/3600 {
		return // the last liquid went without time passing
	}
	m := r.moment()
	r.all = append(r.all, m)
	if r.out.LeastGauge == nil || m.GaugeKPa < r.out.LeastGauge.GaugeKPa {
		r.out.LeastGauge = &m
	}
	if m.SupplyRatio != nil && (r.out.LeastRatio == nil || *m.SupplyRatio < *r.out.LeastRatio.SupplyRatio) {
		r.out.LeastRatio = &m
	}
	if m.Seat != nil {
		if r.out.LeastMargin == nil || m.Seat.MarginK < r.out.LeastMargin.Seat.MarginK {
			r.out.LeastMargin = &m
		}
		if r.out.LeastAdiabaticK == nil || m.Seat.AdiabaticK < *r.out.LeastAdiabaticK {
			r.out.LeastAdiabaticK = &m.Seat.AdiabaticK
		}
		if rank(m.Seat.Risk) > rank(r.out.Risk) {
			r.out.Risk = m.Seat.Risk
		}
	}
	if !r.vapour && supply.Recondenses(m.LiquidTempC, m.AirTempC) {
		r.out.MayCondense = true
	}
}

// rank orders the risks of a run: what was assessed says more than what was not.
func rank(risk supply.Risk) int {
	switch risk {
	case supply.NotExpected:
		return 1
	case supply.PossibleIfWet:
		return 2
	case supply.LikelyIfWet:
		return 3
	}
	return 0
}

func (r *planRun) moment() PlanMoment {
	mean, full := r.flows()
	clock := r.clockMin()
	m := PlanMoment{
		AfterH: r.s / 3600, Clock: fmt.Sprintf("%02d:%02d", clock/60, clock%60), AirTempC: r.p.airC(r.s),
		ContentsKg: r.now.ContentsKg, ByMassH: 24 * r.now.ContentsKg / r.dayKg,
		PropaneMassFrac: r.fuel.PropaneMassFrac(), LiquidTempC: r.now.LiquidTempC,
		CylinderKPa: r.kPa, GaugeKPa: r.kPa - r.airKPa, MeanKgPerH: mean, FullKgPerH: full,
	}
	if full > 0 {
		r.ratio(&m)
		m.Seat = r.seat(&m)
	}
	return m
}

// ratio is what the heat of this air can boil off for ever, over full flow.
func (r *planRun) ratio(m *PlanMoment) {
	if r.vapour {
		return
	}
	// A blend loses its propane, and its limit grows warmer with it.
	limitC, ok := supply.LimitC(r.fuel, r.airKPa, r.p.LeastGaugeKPa)
	if !ok {
		r.gap("supply ratio", fmt.Sprintf("the temperature at which the cylinder has %.3g kPa gauge lies outside the data of this fuel, %s", r.p.LeastGaugeKPa, fuelRange(r.fuel)))
		return
	}
	ua, ok := r.ua(r.now)
	if !ok {
		r.gap("supply ratio", "the level is outside the cylinder's shape")
		return
	}
	steady, ok := supply.SteadyKgPerH(r.fuel, ua, m.AirTempC, limitC)
	if !ok {
		r.gap("supply ratio", "the cylinder takes more heat from the air than the model covers, 100 W/K")
		return
	}
	ratio := steady / m.FullKgPerH
	m.SteadyKgPerH, m.SupplyRatio = &steady, &ratio
}

// seat is the first seat at full flow, with the gas as cold as the liquid.
func (r *planRun) seat(m *PlanMoment) *PlanSeat {
	seat, ok := supply.Regulator{TwoStage: r.p.TwoStage, BodyWPerK: supply.BodyWPerK, LeastGaugeKPa: r.p.LeastGaugeKPa}.Seat(r.fuel, supply.Inlet{
		LiquidTempC: m.LiquidTempC, CylinderKPa: m.CylinderKPa, AirTempC: m.AirTempC, AirKPa: r.airKPa, FlowKgPerH: m.FullKgPerH})
	if !ok {
		r.gap("seat margin and freeze-up risk", r.seatWhy(m))
		return nil
	}
	return &PlanSeat{ThrottledTempC: seat.ThrottledC, BodyTempC: seat.BodyC, SolidTempC: seat.SolidC, MarginK: seat.MarginK,
		AdiabaticK: seat.AdiabaticK, DepositGPerH: seat.DepositGPerH, Risk: seat.Risk()}
}

// seatWhy says which of the ranges of [supply.Regulator.Seat] was left.
func (r *planRun) seatWhy(m *PlanMoment) string {
	outletKPa := lpg.ApplianceGaugeKPa
	if r.p.TwoStage {
		outletKPa = supply.FirstStageGaugeKPa
	}
	switch {
	case r.fuel.PropaneMassFrac() < 1 && r.fuel.Butane() == lpg.Isobutane:
		return "the hydrate of isobutane is not modelled"
	case m.LiquidTempC < -40 || m.LiquidTempC > 50:
		return "liquid outside -40 to 50 °C"
	case m.CylinderKPa > 1370:
		return "more than 1370 kPa in the cylinder"
	case m.GaugeKPa < outletKPa:
		return fmt.Sprintf("the cylinder is below the %.3g kPa gauge that the seat holds behind it", outletKPa)
	}
	return "outside the model of the regulator"
}

// gap notes what could not be said, the first time that it could not.
func (r *planRun) gap(what, why string) {
	for _, g := range r.out.notKnown {
		if g.What == what {
			return
		}
	}
	r.out.notKnown = append(r.out.notKnown, PlanNotKnown{what, r.s / 3600, why})
}
