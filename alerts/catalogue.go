package alerts

import (
	"time"

	"frostline/daemon/estimate"
	"frostline/daemon/show"
	"frostline/sensors"
)

// Phrases that every text of their kind shares.
const (
	valveOnly    = "only from outside, and only if you need not go through or near the gas"
	noCooktop    = "Do not heat with the cooktop."
	secondEyes   = "The certified alarm is the watch; this is a second pair of eyes."
	notFitToGo   = "this does not mean the air is fit to breathe; a qualified person decides on return"
	levelFell    = "level fell, cause unknown"
	iceRegulator = "Pressure may be too low or too high. Flame tall, yellow or roaring: close the cylinder, " + valveOnly +
		". No flame, torch or heat gun on it. Before reopening: all appliances off; relight one at a time."
)

// Catalogue is every alarm of the program, most urgent first: the rows of sensing.md 6.4
// with their priorities, delays, deadbands and latches, and the program's own health.
// Delays and deadbands without another source beside them are those of that table.
func Catalogue(s Setpoints) []Rule {
	rules := []Rule{
		gasLeave(), certifiedAlarm(), coAlarm(), gasWarning(), gasTrace(), gasBlind(),
		monitoringLost(), starved(s), pipeCold(s), batteryLow(s), leakSuspicion(), overfilled(),
		tonightShort(s), fuelBelowNight(s), supplyThin(s), sensorFault(), requalificationDue(s),
		clockUntrusted(), storeFailing(), brokerAway(s), messagesStuck(), outboxLost(), boardUndervolt(), sounderFailing(),
	}
	for i := range rules {
		rules[i].Runbook = "alerts/RUNBOOK.md#" + rules[i].ID
	}
	return rules
}

// yes is the truth of an input that may be unknown.
func yes(t estimate.Tristate) Truth {
	switch t {
	case estimate.Yes:
		return True
	case estimate.No:
		return False
	}
	return Unknown
}

func truth(b bool) Truth {
	if b {
		return True
	}
	return False
}

// below holds while q is at or under limit; once active it holds until q is over
// limit + deadband.
func below(q estimate.Quantity, limit, deadband float64, active bool) Truth {
	if !q.Known() {
		return Unknown
	}
	if active {
		limit += deadband
	}
	return truth(q.Value <= limit)
}

// fitted finds the state of a channel; false if the van does not have it.
func fitted(f *Facts, ch sensors.Channel) (*estimate.ChannelState, bool) {
	for i := range f.Est.Channels {
		if f.Est.Channels[i].Channel == ch {
			return &f.Est.Channels[i], true
		}
	}
	return nil, false
}

// channelQuality is the quality of a channel; Missing if the van does not have it.
func channelQuality(f *Facts, ch sensors.Channel) sensors.Quality {
	if c, ok := fitted(f, ch); ok {
		return c.Quality
	}
	return sensors.Missing
}

// health is the value of a channel of the program's own state.
func health(f *Facts, ch sensors.Channel) (float64, bool) {
	c, ok := fitted(f, ch)
	if !ok || c.Quality < sensors.Suspect {
		return 0, false
	}
	return c.Value, true
}

// reason is why a quantity is unknown, or a phrase where nobody said.
func reason(q estimate.Quantity, otherwise string) string {
	if q.Why != "" {
		return q.Why
	}
	return otherwise
}

// inputWhy says what an input reads, or that the van has none.
func inputWhy(ch sensors.Channel, what string, of func(*estimate.Estimates) estimate.Tristate) func(*Facts) string {
	return func(f *Facts) string {
		switch of(f.Est) {
		case estimate.Yes:
			return "the " + what + " input is closed"
		case estimate.No:
			return "the " + what + " input is open"
		}
		if c, ok := fitted(f, ch); ok {
			if c.Why != "" {
				return "the " + what + " input cannot be read: " + c.Why
			}
			return "the " + what + " input has not been read yet"
		}
		return "no " + what + " input is wired"
	}
}

// stored suppresses what only matters to people who sleep in the van.
func stored(s Setpoints) func(*Facts) string {
	return func(*Facts) string {
		if s.Stored {
			return VanStored
		}
		return ""
	}
}

// aboutFuel suppresses what is said about a cylinder while none stands there.
func aboutFuel(s Setpoints) func(*Facts) string {
	return func(f *Facts) string {
		switch {
		case s.Stored:
			return VanStored
		case f.Est.Cylinder == estimate.Removed:
			return CylinderRemoved
		}
		return ""
	}
}

// onTheScale is a test about a cylinder: once that cylinder is taken away the condition is
// over, so that the next one does not inherit it while its own weight is still unknown.
func onTheScale(test func(*Facts, bool) Truth) func(*Facts, bool) Truth {
	return func(f *Facts, active bool) Truth {
		if f.Est.Cylinder == estimate.Removed {
			return False
		}
		return test(f, active)
	}
}

// monitoringLost tells of a stretch nobody watched. It is announced again after a restart,
// because the restart may itself be the second loss.
func monitoringLost() Rule {
	return Rule{
		ID: "monitoring-lost", Class: ClassProgram, Priority: High,
		OffDelay: time.Minute, BreaksQuiet: true, ReAnnounce: true,
		Title:   "Monitoring was lost",
		Meaning: "The program stopped without being told to and came back. Whatever began meanwhile was not seen.",
		Action: "Check that the certified alarm is on. Look at flames, heat, pipes and cylinder yourself. " +
			"If it happens again, check the supply of the board.",
		Fell: "watching again",
		Test: func(f *Facts, _ bool) Truth { return truth(f.Lost) },
		Why: func(f *Facts) string {
			if !f.GapKnown {
				return "nobody watched for an unknown time"
			}
			return "nobody watched for " + show.Duration(f.LostGap)
		},
	}
}
