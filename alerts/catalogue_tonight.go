package alerts

import (
	"time"

	"frostline/daemon/estimate"
	"frostline/daemon/nights"
	"frostline/daemon/show"
	"frostline/sensors"
)

const (
	fuelDeadband   = 0.05 // of the nights left, sensing.md 6.4
	supplyDeadband = 0.1  // of the ratio, sensing.md 6.4

	// supplyAmple is a likeliest ratio that is not called thin however wide its interval: a
	// flame that is just being lit has any rate for a while. Engineering judgement.
	supplyAmple = 2.0

	// nightsAhead is tonight and tomorrow: with less, tomorrow is doubtful.
	nightsAhead = 2.0

	// The odds of tonight's verdict: under the first "not enough", under the second
	// "doubtful"; what was doubtful is not any more from the third. Engineering judgement.
	unlikelyOdds = 0.5
	doubtfulOdds = 0.9
	soundOdds    = 0.95

	// The owner hears at 11:00 that tonight is doubtful: driving is still possible.
	noticeMin    = 11 * 60
	noticeEndMin = 11*60 + 30

	fuelDelay = 10 * time.Minute // sensing.md 6.4
	thinDelay = 5 * time.Minute

	// fuelRunsOut is the cause that both alarms about too little fuel have.
	fuelRunsOut = "fuel runs out"
)

// tonightShort comes while driving is still possible: in the late morning when tonight or
// tomorrow is doubtful, when a drive starts with under two nights left, and later only if
// the verdict worsens to "not enough". It then holds until there is fuel again, so that it
// sounds once and not every day, and once more if tonight itself falls to "not enough".
func tonightShort(s Setpoints) Rule {
	return Rule{
		ID: "tonight-short", Class: ClassFuel, Priority: Medium, CanShelve: true, CanLeaveService: true,
		OnDelay: fuelDelay, OffDelay: time.Hour, Cause: fuelRunsOut,
		Title:   "Tonight's fuel is doubtful",
		Meaning: "The fuel may not last through tonight or the night after, by what your nights have cost.",
		Action:  "Fill or exchange the cylinder while you can still drive, or heat less: close off space, lower the thermostat. " + noCooktop,
		Fell:    "enough again",
		Joined:  "worse now",
		Test: onTheScale(func(f *Facts, active bool) Truth {
			t := f.Tonight
			if t == nil {
				return Unknown
			}
			if notEnough(t) {
				return True
			}
			inTime := f.Est.Moving || lateMorning(s, f, fuelDelay)
			left := t.NightsLeft
			switch {
			case !left.Known() && t.Enough == estimate.Yes: // even at full heat
				return False
			case !left.Known() && !t.FuelOdds.Known():
				return Unknown
			case !left.Known(): // no history: by what is typical, and only while there is time
				return truth(t.FuelOdds.Value < unlikelyOdds && (active || inTime))
			case active:
				return truth(left.Low < nightsAhead*(1+fuelDeadband))
			}
			driving := f.Est.Moving && left.Value < nightsAhead
			return truth(driving || lateMorning(s, f, fuelDelay) && left.Low < nightsAhead)
		}),
		Parts: func(f *Facts) uint64 {
			if f.Tonight != nil && notEnough(f.Tonight) {
				return 1
			}
			return 0
		},
		Why: func(f *Facts) string {
			t := f.Tonight
			switch {
			case t == nil:
				return "no forecast yet"
			case !t.NightsLeft.Known() && t.FuelOdds.Known():
				return joined("odds that the fuel lasts "+show.Odds(t.FuelOdds.Value), t.FuelOdds.Why)
			}
			return joined(nightsWhy(f), t.Odds)
		},
		Suppressed: aboutFuel(s),
	}
}

// notEnough is the worst verdict of nights that were seen.
func notEnough(t *nights.Tonight) bool {
	return t.Enough == estimate.No || t.NightsLeft.Known() && t.FuelOdds.Known() && t.FuelOdds.Value < unlikelyOdds
}

// lateMorning holds from so long before 11:00 that after the on-delay it is 11:00.
func lateMorning(s Setpoints, f *Facts, onDelay time.Duration) bool {
	if !f.Est.ClockTrusted {
		return false
	}
	now := s.localMin(f.Stamp.Wall)
	return noticeMin-int(onDelay.Minutes()) <= now && now < noticeEndMin
}

func nightsWhy(f *Facts) string {
	q := f.Tonight.NightsLeft
	if !q.Known() {
		return reason(q, "nights left are not known yet")
	}
	return show.Interval(q.Low, q.High, show.Nights) + " left"
}

// fuelBelowNight is for the hours in which tonight itself is covered: where it is not,
// tonightShort says so, and one message is enough for one cause.
func fuelBelowNight(s Setpoints) Rule {
	return Rule{
		ID: "fuel-below-night", Class: ClassFuel, Priority: Medium, CanShelve: true, CanLeaveService: true,
		OnDelay: fuelDelay, OffDelay: time.Hour, Cause: fuelRunsOut,
		Title:   "Fuel for less than a night",
		Meaning: "What is in the cylinder is less than one of your nights costs.",
		Action:  "Have the next cylinder ready before the evening. " + noCooktop,
		Fell:    "enough for a night again",
		Test: onTheScale(func(f *Facts, active bool) Truth {
			if f.Tonight == nil {
				return Unknown
			}
			q := f.Tonight.NightsLeft
			if !q.Known() {
				return Unknown
			}
			if active {
				return truth(q.Value < 1+fuelDeadband)
			}
			return truth(q.Value < 1)
		}),
		Rests: func(f *Facts) sensors.Quality {
			if f.Tonight == nil {
				return sensors.Missing
			}
			return f.Tonight.NightsLeft.Quality
		},
		Why: func(f *Facts) string {
			if f.Tonight == nil {
				return "no forecast yet"
			}
			return nightsWhy(f)
		},
		Suppressed: aboutFuel(s),
	}
}

// supplyThin holds while the cylinder can hardly follow what burns, and comes before it if
// tonight is forecast to be too cold for it: in the late morning when that may be, later only
// when it is likelier than not. Thin tonight and thin now are one cause and one alarm.
func supplyThin(s Setpoints) Rule {
	return Rule{
		ID: "supply-thin", Class: ClassHeat, Priority: Medium, CanShelve: true, CanLeaveService: true,
		// A thermostat's flames come and go: what is thin in one is thin in the next.
		OnDelay: thinDelay, OffDelay: 2 * time.Hour,
		Title:   "Pressure is thin, now or tonight",
		Meaning: "The cold cylinder can hardly boil off what is being burned, or what tonight will ask of it. The heat may fail with fuel left.",
		Action:  "Burn less at a time, or change to a fuller cylinder. Never warm one and never bring one indoors. " + iceRegulator + " " + noCooktop,
		Fell:    "the supply ratio has risen, or nothing has burned for two hours, and tonight's pressure is likely enough",
		Test: onTheScale(func(f *Facts, active bool) Truth {
			now, tonight := thinNow(f, active), thinTonight(s, f, active)
			if now == True || tonight == True {
				return True
			}
			return now // a forecast alone says nothing of what burns now
		}),
		Rests: func(f *Facts) sensors.Quality {
			q := f.Est.SupplyRatio.Quality
			if t := f.Tonight; t != nil && !f.Est.SupplyRatio.Known() && t.PressureOdds.Known() {
				q = t.PressureOdds.Quality
			}
			return q
		},
		Why: func(f *Facts) string {
			now := reason(f.Est.SupplyRatio, "supply ratio is not known")
			if q := f.Est.SupplyRatio; q.Known() {
				now = "supply ratio " + show.Interval(q.Low, q.High, show.Ratio)
			}
			odds, ok := warmOdds(f.Tonight)
			if !ok || odds >= soundOdds {
				return now
			}
			tonight := "odds that tonight's pressure lasts " + show.Odds(odds)
			if h := f.Tonight.ThinAfterH; h.Known() && f.Est.ClockTrusted {
				const grain = 10 * time.Minute
				at := f.Stamp.Wall.Add(time.Duration(h.Value * float64(time.Hour)))
				tonight += ", thin after " + s.local(at).Round(grain).Format("15:04")
			}
			return joined(tonight, now)
		},
		Suppressed: aboutFuel(s),
	}
}

// thinNow is the supply ratio of what burns.
func thinNow(f *Facts, active bool) Truth {
	q, b := f.Est.SupplyRatio, f.Est.BurnKgPerH
	switch {
	case q.Known() && active:
		return truth(q.Low < 1+supplyDeadband && q.Value < supplyAmple)
	case q.Known():
		return truth(q.Low < 1 && q.Value < supplyAmple)
	case b.Known() && b.Low <= 0: // what does not burn is not short of supply
		return False
	}
	return Unknown
}

func thinTonight(s Setpoints, f *Facts, active bool) Truth {
	odds, ok := warmOdds(f.Tonight)
	switch {
	case !ok:
		return Unknown
	case active:
		return truth(odds < soundOdds)
	}
	return truth(odds < unlikelyOdds || odds < doubtfulOdds && lateMorning(s, f, thinDelay))
}

// warmOdds is the odds that pressure lasts tonight if the fuel does. Where the fuel does not,
// that is the cause, and nothing is said of the pressure.
func warmOdds(t *nights.Tonight) (float64, bool) {
	if t == nil || !t.PressureOdds.Known() || !t.FuelOdds.Known() || t.FuelOdds.Value < unlikelyOdds {
		return 0, false
	}
	return t.PressureOdds.Value / t.FuelOdds.Value, true
}
