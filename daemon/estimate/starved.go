package estimate

import "math"

// When heat that is called for and does not come is told.
const (
	starvedAfterS = 300 // heat called for so long with no more than
	starvedFrac   = 0.4 // of the heater's rate
	starvedSureS  = 120 // for so long, where its interval reaches further
)

// called follows the heat demand input, and how the cabin fares under it.
func (f *burning) called(upS float64, call Tristate, cabin Quantity) {
	if call != Unsure {
		now := 0.0
		if call == Yes {
			now = 1
		}
		f.calledFrac += (1 - math.Exp(-(upS-f.calledS)/burnMeanS)) * (now - f.calledFrac)
		f.calledS = upS
	}
	if call != f.call || call != Yes {
		f.callS, f.askedS = upS, upS
		f.fromC, f.fromKnown, f.cools, f.warmed = cabin.Value, cabin.Known(), false, false
	}
	f.call, f.cabin = call, cabin
	switch {
	case !cabin.Known():
		f.fromKnown, f.cools, f.warmed = false, false, false
	case !f.fromKnown || upS-f.askedS >= coolWindowS:
		f.cools = f.fromKnown && f.fromC-cabin.Value >= coolsC
		f.warmed = f.warmed && f.fromC-cabin.Value < warmsC
		f.askedS, f.fromC, f.fromKnown = upS, cabin.Value, true
	case cabin.Value-f.fromC >= warmsC:
		f.cools, f.warmed = false, true
	}
}

// What shows a failing heater where the scale cannot: heat has been called for all through
// a window, and the cabin is this much colder at its end. A heater that burns warms it.
const (
	coolWindowS = 20 * 60
	coolsC      = 1.0
	warmsC      = 0.3
)

// cooling says the same as starved without a scale. A cabin that rises under the call is as good
// an end as one that falls is a beginning: what the cabin raised, it must be able to clear.
func (f *burning) cooling() Tristate {
	switch {
	case f.call == No:
		return No
	case f.call == Yes && f.cools:
		return Yes
	case f.call == Yes && f.warmed:
		return No
	}
	return Unsure
}

// starved says whether heat is called for and no gas burns. It needs the heat demand
// input; without it this version cannot say. Where no heat is called for nothing is starved,
// whether or not the scale watches. A burn that seems to stop for a moment is waited for,
// unless it is plain.
func (f *burning) starved(upS float64, watching bool) Tristate {
	if f.call == No {
		f.poor = false
		f.poorS, f.fromS, f.fromKg = upS, upS, f.bank.levelKg
		return No
	}
	if f.call == Unsure || f.split.heater < 0 || !watching || !f.rate.Known() {
		f.poorS, f.poor = upS, false
		if !watching { // a cylinder that has just come back gets the whole test
			f.callS = upS
		}
		f.fromS, f.fromKg = upS, f.bank.levelKg
		return Unsure
	}
	rate := f.split.part[f.split.heater].meanKgPerH
	least := starvedFrac * rate
	fed := f.rate.Value >= least
	if f.poor { // and then a flicker of the estimate is no flame
		fed = fed && f.rate.Low > 0
	}
	if fed && f.rate.Low > 0 { // a burn that may be none is left to the weight
		f.fromS, f.fromKg = upS, f.bank.levelKg
	}
	if fed || upS-f.callS < starvedAfterS || !f.poor && f.mayBurn(upS, rate) {
		f.poor = false
		if fed {
			f.poorS = upS
		}
		return No
	}
	f.poor = f.poor || f.rate.High < least || upS-f.poorS >= starvedSureS
	if f.poor {
		return Yes
	}
	return No
}

// mayBurn reports whether the weight leaves it open that the heater has burned since heat was
// called for, or since it was last seen to burn: it would have burned no more than people
// moving about can hide, or the weight speaks rather for it than against. Whatever the errors, if
// they are as likely up as down, half of what it would have burned parts the two. A fall that was
// booked as people counts here.
func (f *burning) mayBurn(upS, kgPerH float64) bool {
	would := kgPerH * (upS - f.fromS) / 3600
	return would < 2*jumpKg || f.fromKg-f.bank.levelKg > would/2
}

// whyUnseen is said where only the cabin shows it.
const whyUnseen = "the cabin cools while heat is called for, and the scale cannot see why: cylinder off or empty; valve shut; heater locked out"
