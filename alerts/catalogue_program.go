package alerts

import (
	"strings"
	"time"

	"frostline/daemon/show"
	"frostline/sensors"
)

const (
	// storeLateS is one and a half of the store's ten-minute flushes; storeBackS is when one
	// has plainly happened again.
	storeLateS = 900
	storeBackS = 660
	// noticeDelay is that of the page notices in sensing.md 6.4.
	noticeDelay = 10 * time.Minute
)

// isSensor reports whether a fault of the channel is a sensor fault of its own. Gas
// channels make the gas watch blind instead, and health channels have alarms of theirs.
func isSensor(ch sensors.Channel) bool {
	switch ch {
	case sensors.GasV, sensors.GasSupplyV, sensors.GasHeaterV:
		return false
	}
	return !ch.IsHealth()
}

func sensorFault() Rule {
	return Rule{
		ID: "sensor-fault", Class: ClassProgram, Priority: Medium, CanShelve: true, CanLeaveService: true,
		OnDelay: 30 * time.Second, OffDelay: time.Minute,
		Title:   "A sensor cannot be believed",
		Meaning: "What rests on it is unknown until it is mended. Nothing that stood is cleared by it.",
		Action:  "Look at the plug and the lead of the sensor named here; frostline check reads each one once and says what it finds.",
		Fell:    "no sensor is in fault now",
		Test: func(f *Facts, _ bool) Truth {
			for i := range f.Est.Channels {
				c := &f.Est.Channels[i]
				if c.Quality < sensors.Suspect && isSensor(c.Channel) {
					return True
				}
			}
			return False
		},
		Parts: func(f *Facts) (bad uint64) {
			for i := range f.Est.Channels {
				if c := &f.Est.Channels[i]; c.Quality < sensors.Suspect && isSensor(c.Channel) {
					bad |= 1 << (i % 64)
				}
			}
			return bad
		},
		Why: func(f *Facts) string {
			var bad []string
			for _, c := range f.Est.Channels {
				if c.Quality >= sensors.Suspect || !isSensor(c.Channel) {
					continue
				}
				word := c.Why
				if word == "" {
					word = c.Quality.String()
				}
				if c.Channel == sensors.WaterlineC {
					word += " (freeze watch blind)"
				}
				bad = append(bad, string(c.Channel)+": "+word)
			}
			return strings.Join(bad, "; ")
		},
	}
}

func requalificationDue(s Setpoints) Rule {
	// The month said of the cylinder that stands there goes before that of the configuration.
	configured, none := time.Parse("2006-01", s.RequalifyBy)
	due := func(f *Facts) (time.Time, error) {
		if f.Est.RequalifyBy != "" {
			return time.Parse("2006-01", f.Est.RequalifyBy)
		}
		return configured, none
	}
	return Rule{
		ID: "requalification-due", Class: ClassCylinder, Priority: Low, CanShelve: true, CanLeaveService: true,
		Title:   "Cylinder due for requalification",
		Meaning: "The month entered for this cylinder has come. A filler may refuse it.",
		Action:  "Show the collar to the filler; the filler decides.",
		Fell:    "another month was entered",
		Test: func(f *Facts, _ bool) Truth {
			month, err := due(f)
			if err != nil || !f.Est.ClockTrusted {
				return Unknown
			}
			now := s.local(f.Stamp.Wall)
			return truth(now.Year() > month.Year() || now.Year() == month.Year() && now.Month() >= month.Month())
		},
		Rests: func(f *Facts) sensors.Quality {
			if _, err := due(f); err != nil || !f.Est.ClockTrusted {
				return sensors.Missing
			}
			return sensors.Good
		},
		Why: func(f *Facts) string {
			month, err := due(f)
			switch {
			case err != nil:
				return "no requalification month was entered"
			case !f.Est.ClockTrusted:
				return "the clock is not trusted"
			}
			return "due " + month.Format("01/2006") + "; the filler decides"
		},
	}
}

func clockUntrusted() Rule {
	return Rule{
		ID: "clock-untrusted", Class: ClassProgram, Priority: Low, Silent: true, CanShelve: true, CanLeaveService: true,
		OnDelay: noticeDelay, OffDelay: noticeDelay,
		Title:   "The clock is not trusted",
		Meaning: "The time may be years wrong. Quiet hours are off, night priorities hold all day, and nights have no date.",
		Action:  "Set it from a phone on the first page, or let the board reach a network. A battery-backed clock chip ends this.",
		Fell:    "the clock is trusted again",
		Test:    func(f *Facts, _ bool) Truth { return truth(!f.Est.ClockTrusted) },
		Why: func(f *Facts) string {
			if f.Stamp.Wall.IsZero() {
				return "the board has no time at all"
			}
			says := "the board says " + f.Stamp.Wall.Format("2006-01-02 15:04") + " UTC"
			if f.Est.ClockTrusted {
				return says
			}
			return says + ", and nothing confirms it"
		},
	}
}

func storeFailing() Rule {
	return Rule{
		ID: "store-failing", Class: ClassProgram, Priority: Low, Silent: true, CanShelve: true, CanLeaveService: true,
		OnDelay: noticeDelay, OffDelay: noticeDelay,
		Title:   "The store takes nothing",
		Meaning: "What happens now is in memory only and a power cut takes it. Watching and sounding go on.",
		Action:  "Look for a full disk or a worn-out memory card; make a backup and change the card.",
		Fell:    "the store writes again",
		Test: func(f *Facts, active bool) Truth {
			if channelQuality(f, sensors.StoreAgeS) == sensors.Bad {
				return True // the store itself reports a fault
			}
			age, ok := health(f, sensors.StoreAgeS)
			if !ok {
				return Unknown
			}
			if active {
				return truth(age > storeBackS)
			}
			return truth(age > storeLateS)
		},
		Why: func(f *Facts) string {
			c, ok := fitted(f, sensors.StoreAgeS)
			switch {
			case !ok:
				return "no store is in use"
			case c.Quality == sensors.Bad:
				return joined("the store reports a fault", c.Why)
			case c.Quality == sensors.Missing:
				return "the store has not reported"
			}
			return "oldest unwritten entry is from " + show.Age(time.Duration(c.Value*float64(time.Second)))
		},
	}
}

func brokerAway(s Setpoints) Rule {
	return Rule{
		ID: "broker-away", Class: ClassProgram, Priority: Low, Silent: true, CanShelve: true, CanLeaveService: true,
		OnDelay: noticeDelay, OffDelay: noticeDelay,
		Title:   "The MQTT broker is away",
		Meaning: "Messages wait and go out in order when it is back. The sounder and the page do not need it.",
		Action:  "Nothing at night. By day look at the network and the broker's address.",
		Fell:    "the broker answers again",
		Test: func(f *Facts, _ bool) Truth {
			if channelQuality(f, sensors.BrokerLink) == sensors.Bad {
				return True
			}
			link, ok := health(f, sensors.BrokerLink)
			if !ok {
				return Unknown
			}
			return truth(link == 0)
		},
		Why: func(f *Facts) string {
			if n, ok := health(f, sensors.OutboxN); ok {
				return show.Number(n, show.Count) + " messages wait"
			}
			return ""
		},
		Suppressed: func(*Facts) string {
			if !s.Broker {
				return BrokerNotConfigured
			}
			return ""
		},
	}
}

// messagesStuck is about the paths to people outside, of which a van has as many as its
// configuration names; without any it is never anything but normal.
func messagesStuck() Rule {
	paths := []struct {
		ch   sensors.Channel
		word string
	}{{sensors.WebhookLink, "the webhook"}, {sensors.MailLink, "mail"}}
	dead := func(f *Facts) (set uint64, known bool) {
		for i, p := range paths {
			if link, ok := health(f, p.ch); ok {
				known = true
				if link == 0 {
					set |= 1 << i
				}
			} else if channelQuality(f, p.ch) == sensors.Bad {
				set, known = set|1<<i, true
			}
		}
		return set, known
	}
	return Rule{
		ID: "messages-stuck", Class: ClassProgram, Priority: Low, Silent: true, CanShelve: true, CanLeaveService: true,
		OnDelay: noticeDelay, OffDelay: noticeDelay,
		Title:   "Messages do not get out",
		Meaning: "Alarms wait and go out when the other end takes them. The sounder and the page do not need it.",
		Action:  "Nothing at night. By day look at the network, and at what the page says of this path; send a test from there.",
		Fell:    "messages get out again",
		Test: func(f *Facts, _ bool) Truth {
			set, known := dead(f)
			if !known {
				return Unknown
			}
			return truth(set != 0)
		},
		Parts: func(f *Facts) uint64 { set, _ := dead(f); return set },
		Why: func(f *Facts) string {
			set, known := dead(f)
			var words []string
			for i, p := range paths {
				if set&(1<<i) != 0 {
					words = append(words, p.word)
				}
			}
			switch {
			case !known:
				return "nothing was sent yet"
			case set == 0:
				return "the last messages got through"
			}
			return "the last message did not get through: " + strings.Join(words, ", ")
		},
	}
}

// sounderFailing is silent of necessity: it reaches people by page and messages, by day.
func sounderFailing() Rule {
	return Rule{
		ID: "sounder-failing", Class: ClassProgram, Priority: Medium, CanShelve: true, CanLeaveService: true,
		OnDelay: time.Minute, OffDelay: time.Minute,
		Title:   "Nothing here can wake you",
		Meaning: "The sounder that is configured does not answer, or nobody has heard it yet.",
		Action:  "Look at its line and its lead, run frostline check, hear it once at each sleeping place. Until then the certified alarms are all that sounds.",
		Fell:    "the sounder answers",
		Test: func(f *Facts, _ bool) Truth {
			if channelQuality(f, sensors.SounderOK) == sensors.Bad {
				return True
			}
			ok, known := health(f, sensors.SounderOK)
			if !known {
				return Unknown
			}
			return truth(ok == 0)
		},
		Rests: func(f *Facts) sensors.Quality { return channelQuality(f, sensors.SounderOK) },
	}
}

// outboxLost tells that an alarm message was dropped, which must never happen unsaid. The
// count is of this run of the program, so the alarm holds until the next.
func outboxLost() Rule {
	return Rule{
		ID: "outbox-lost", Class: ClassProgram, Priority: Medium, CanShelve: true, CanLeaveService: true,
		OffDelay: time.Minute,
		Title:    "Alarm messages were dropped",
		Meaning:  "The store took nothing and the queue in memory was full. Receivers of messages did not hear of every alarm.",
		Action:   "Read the alarms on the page, not in the messages, and mend the store.",
		Fell:     "counting anew since the restart",
		Test: func(f *Facts, _ bool) Truth {
			n, ok := health(f, sensors.OutboxLost)
			if !ok {
				return Unknown
			}
			return truth(n > 0)
		},
		Rests: func(f *Facts) sensors.Quality { return channelQuality(f, sensors.OutboxLost) },
		Why: func(f *Facts) string {
			if n, ok := health(f, sensors.OutboxLost); ok {
				return show.Number(n, show.Count) + " dropped since the start"
			}
			return "the outbox has not reported"
		},
	}
}

// boardUndervolt matters because a sensor that browned out reads plausible wrong values.
// Its delays are those of the house battery.
func boardUndervolt() Rule {
	return Rule{
		ID: "board-undervolt", Class: ClassPower, Priority: Medium, CanShelve: true, CanLeaveService: true,
		OnDelay: time.Minute, OffDelay: 5 * time.Minute,
		Title:   "The board's own supply is too low",
		Meaning: "Sensors can brown out and then read plausible wrong values, and the board may stop.",
		Action:  "Look at the converter, its fuse and its lead; do not feed the board from a phone charger.",
		Fell:    "recovered",
		Test: func(f *Facts, _ bool) Truth {
			v, ok := health(f, sensors.BoardUndervolt)
			if !ok {
				return Unknown
			}
			return truth(v == 1)
		},
		Rests: func(f *Facts) sensors.Quality { return channelQuality(f, sensors.BoardUndervolt) },
		Why: func(f *Facts) string {
			if _, ok := fitted(f, sensors.BoardUndervolt); !ok {
				return "the board does not report its supply"
			}
			return ""
		},
	}
}
