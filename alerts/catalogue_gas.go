package alerts

import (
	"time"

	"frostline/daemon/estimate"
	"frostline/daemon/show"
	"frostline/sensors"
)

const (
	// warningIsLeaveS turns a warning that lasts into leave (sensing.md 1.3, G3).
	warningIsLeaveS = 600
	// reAlarmLeave and reAlarmWarning are those of sensing.md 6.5. The contacts of the
	// certified and the CO alarm are as urgent as leave: common practice, no source.
	reAlarmLeave   = 2 * time.Minute
	reAlarmWarning = 10 * time.Minute
	// blindDelay outlives a bus that stumbles over a few reads; the table allows 0 to 60 s.
	// The band on the page is blind at once.
	blindDelay = 10 * time.Second
	// weightWindow is the shortest time in which a weight says anything of a small loss
	// (sensing.md 3.8): less than that without a loss ends no suspicion.
	weightWindow = time.Hour
)

const outText = "Out, everyone. No switches, no flame, no phone inside. Close the cylinder valve " + valveOnly +
	". Leave doors open. Call from outside. Have it checked before anyone goes back."

// rank orders the bands; blind and unsaid are below all.
func rank(b estimate.GasBand) int {
	switch b {
	case estimate.Background:
		return 0
	case estimate.Trace:
		return 1
	case estimate.Warning:
		return 2
	case estimate.Leave:
		return 3
	}
	return -1
}

// gasBlindNow reports whether the sensor cannot be believed. It may still show a level
// while it is being proved: that raises, but a level it does not show means nothing.
func gasBlindNow(f *Facts) bool {
	return f.Est.Band == estimate.Blind || rank(f.Est.GasLevel) < 0
}

// gasAt tests for one level. A blind sensor denies nothing; the estimator calls a saturated
// one leave, not blind.
func gasAt(level estimate.GasBand) func(*Facts, bool) Truth {
	return func(f *Facts, active bool) Truth {
		switch now := rank(f.Est.GasLevel); {
		case now >= rank(level):
			return True
		case gasBlindNow(f):
			return Unknown
		}
		return truth(active && rank(f.Est.GasHold) >= rank(level))
	}
}

func gasQuality(f *Facts) sensors.Quality {
	switch {
	case f.Est.GasFault != "":
		return sensors.Bad
	case gasBlindNow(f):
		return sensors.Missing
	}
	return sensors.Good
}

// gasWhy gives the estimator's reason, and a number only from a sensor that met a test mix.
func gasWhy(f *Facts) string {
	if rank(f.Est.GasLevel) < 0 {
		return blindWhy(f)
	}
	why := f.Est.BandWhy
	if gasBlindNow(f) {
		why = string(f.Est.GasLevel) + " by a sensor that is not proved: " + blindWhy(f)
	}
	switch q := f.Est.FloorGasPctLEL; {
	case q.Known() && q.Quality < sensors.Good:
		return joined(q.Why, why) // below or over range is no number (sensing.md 2.1)
	case q.Known():
		number := show.Choice{}.Value(q.Value, q.Low, q.High, show.PctLEL)
		if why == "" {
			return number
		}
		return number + "; " + why
	}
	return why
}

func blindWhy(f *Facts) string {
	_, has := fitted(f, sensors.GasV)
	switch {
	case !has:
		return "no floor gas sensor is fitted; the certified alarm is the only watch"
	case f.Est.GasFault != "":
		return f.Est.GasFault
	case f.Est.WarmingUp:
		return "warming up, " + show.Duration(f.Est.WarmLeft) + " left"
	case f.Est.BandWhy != "":
		return f.Est.BandWhy
	}
	return "no reading of the floor gas sensor"
}

func gasLeave() Rule {
	at := gasAt(estimate.Leave)
	return Rule{
		ID: "gas-leave", SendsOut: true, Class: ClassGas, Priority: Critical, BreaksQuiet: true,
		OnDelay:  5 * time.Second,  // outlives one bad sample, not a real leak
		OffDelay: 10 * time.Minute, // a door gust thins the air at the sensor, not in the corners
		Latch:    true, ReAlarm: reAlarmLeave, ReAnnounce: true,
		Title:   "Gas at the floor: leave now",
		Meaning: "Treat as gas: the level is high, out of range, or a warning that lasts. " + secondEyes,
		Action:  outText, Fell: levelFell, OnReset: notFitToGo,
		Test: func(f *Facts, active bool) Truth {
			t := at(f, active)
			if t == False && f.Est.WarningForS >= warningIsLeaveS {
				return True
			}
			return t
		},
		Rests: gasQuality,
		Why: func(f *Facts) string {
			why := gasWhy(f)
			if f.Est.WarningForS >= warningIsLeaveS {
				return joined(why, "warning level for "+show.Duration(time.Duration(f.Est.WarningForS)*time.Second))
			}
			return why
		},
	}
}

func gasWarning() Rule {
	return Rule{
		ID: "gas-warning", SendsOut: true, Class: ClassGas, Priority: High, BreaksQuiet: true,
		OnDelay: 30 * time.Second, OffDelay: 5 * time.Minute, ReAlarm: reAlarmWarning, ReAnnounce: true,
		Title:   "Gas at the floor: warning",
		Meaning: "Gas or vapours are building up at the floor. " + secondEyes,
		Action: "Flames out, leave switches as they are. Close the cylinder valve " + valveOnly +
			". Open doors. Leave if you are unsure, smell gas, or the level rises.",
		Fell: levelFell,
		Test: gasAt(estimate.Warning), Rests: gasQuality, Why: gasWhy,
	}
}

func gasTrace() Rule {
	return Rule{
		ID: "gas-trace", Class: ClassGas, Priority: Medium, Silent: true, ReAnnounce: true,
		OnDelay: 5 * time.Minute, OffDelay: 15 * time.Minute,
		Title:   "Vapours at the floor",
		Meaning: "Vapours, source unknown. Treat as gas if you smell it or cannot name the source.",
		Action: "Look for the cause: an unlit burner, cooking with alcohol, solvents, a battery on charge. Air the floor. " +
			"If you smell gas: flames out, leave, close the cylinder valve " + valveOnly + ".",
		Fell: levelFell,
		Test: gasAt(estimate.Trace), Rests: gasQuality, Why: gasWhy,
	}
}

func gasBlind() Rule {
	return Rule{
		ID: "gas-blind", Class: ClassGas, Priority: High, BreaksQuiet: true, ReAnnounce: true,
		OnDelay: blindDelay, OffDelay: time.Minute,
		Title:   "Not watching for gas",
		Meaning: "The floor gas sensor cannot be believed now. The certified alarm is the only watch.",
		Action: "Check that the certified alarm is on and within its date. If this is not a warm-up, look at the sensor's plug and supply. " +
			"If you smell gas, leave.",
		Fell: "watching again",
		Test: func(f *Facts, _ bool) Truth {
			if _, has := fitted(f, sensors.GasV); !has {
				return False // what was never fitted cannot go blind; its quality says missing
			}
			return truth(gasBlindNow(f) || f.Est.GasFault != "")
		},
		Rests: func(f *Facts) sensors.Quality {
			if _, has := fitted(f, sensors.GasV); !has {
				return sensors.Missing
			}
			return sensors.Good // that it is blind is well known
		},
		Why: func(f *Facts) string {
			if gasBlindNow(f) || f.Est.GasFault != "" {
				return blindWhy(f)
			}
			return ""
		},
	}
}

func certifiedAlarm() Rule {
	return Rule{
		ID: "certified-alarm", SendsOut: true, Class: ClassGas, Priority: Critical, BreaksQuiet: true,
		OffDelay: 10 * time.Minute, Latch: true, ReAlarm: reAlarmLeave, ReAnnounce: true,
		Title:   "The certified gas alarm sounds",
		Meaning: "The certified alarm has closed its own output. It is the watch; believe it before anything here.",
		Action:  outText, Fell: "its output opened, cause unknown", OnReset: notFitToGo,
		Test:  func(f *Facts, _ bool) Truth { return yes(f.Est.Certified) },
		Rests: func(f *Facts) sensors.Quality { return channelQuality(f, sensors.CertifiedAlarm) },
		Why: inputWhy(sensors.CertifiedAlarm, "certified alarm",
			func(e *estimate.Estimates) estimate.Tristate { return e.Certified }),
	}
}

func coAlarm() Rule {
	return Rule{
		ID: "co-alarm", SendsOut: true, Class: ClassCO, Priority: Critical, BreaksQuiet: true,
		OffDelay: 10 * time.Minute, Latch: true, ReAlarm: reAlarmLeave, ReAnnounce: true,
		Title:   "The carbon monoxide alarm sounds",
		Meaning: "The carbon monoxide alarm has closed its own output. frostline never measures carbon monoxide: it cannot confirm it and cannot deny it.",
		Action: "Out into fresh air, everyone, now. Do not stop to look for the cause. Call from outside. " +
			"Headache, dizziness or sickness: say carbon monoxide when you call. Have appliances and flue checked by a qualified person before anyone goes back.",
		Fell: "its output opened, cause unknown", OnReset: notFitToGo,
		Test:  func(f *Facts, _ bool) Truth { return yes(f.Est.CO) },
		Rests: func(f *Facts) sensors.Quality { return channelQuality(f, sensors.COAlarm) },
		Why: inputWhy(sensors.COAlarm, "carbon monoxide alarm",
			func(e *estimate.Estimates) estimate.Tristate { return e.CO }),
	}
}

// leakSuspicion is the weight watch. The watch has its own test window, so there is no
// on-delay; once raised it holds until the loss can no longer be told from none at two
// standard deviations, which is where the 95 % interval meets zero.
func leakSuspicion() Rule {
	return Rule{
		ID: "leak-suspicion", Class: ClassGas, Priority: Medium, BreaksQuiet: true, ReAnnounce: true,
		OffDelay: weightWindow,
		Escalate: func(f *Facts) Priority {
			if f.Est.Watch.Fast || max(rank(f.Est.GasLevel), rank(f.Est.GasHold)) > rank(estimate.Background) {
				return High
			}
			return Low
		},
		Title:   "Weight falls while all is off",
		Meaning: "The cylinder loses weight with every appliance off. This is no tightness test, and a weight that shows no loss is never evidence that nothing leaks.",
		Action: "If you smell gas: flames out, leave, close the cylinder valve " + valveOnly +
			". Otherwise check that every appliance is off, then try the joints with leak-detection fluid, never with a flame. Have a qualified fitter find it.",
		Fell: "loss no longer seen, cause unknown",
		Test: func(f *Facts, active bool) Truth {
			w := &f.Est.Watch
			switch {
			case w.Suspected:
				return True
			case !w.Quiet || !w.LossGPerH.Known():
				return Unknown
			}
			return truth(active && w.LossGPerH.Low > 0)
		},
		Rests: func(f *Facts) sensors.Quality {
			switch w := &f.Est.Watch; {
			case w.Suspected:
				return sensors.Good
			case !w.Quiet: // something burns: nothing is broken, and nothing can be said
				return sensors.Missing
			default:
				return w.LossGPerH.Quality
			}
		},
		Why: func(f *Facts) string {
			w := &f.Est.Watch
			// A flow that nothing explains is no slow loss: what was fitted before it is another matter.
			if q := w.LossGPerH; q.Known() && (w.Quiet && !w.Suspected || w.Suspected && q.Low > 0 && !w.Fast) {
				return joined("loses "+show.Choice{}.Value(q.Value, q.Low, q.High, show.GPerH), w.Why)
			}
			if w.Why != "" {
				return w.Why
			}
			return "the weight watch has nothing to go by yet"
		},
	}
}

func joined(a, b string) string {
	switch {
	case a == "":
		return b
	case b == "":
		return a
	}
	return a + "; " + b
}
