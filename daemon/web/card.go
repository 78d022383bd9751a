package web

import (
	"errors"
	"net/url"
	"strconv"
	"strings"

	"frostline/daemon/core"
)

// cardView asks what an alarm was.
type cardView struct {
	Seq     uint64
	Title   string
	When    string
	Choices []option
}

// cardViews are the cards to be asked now; none while people should be outside.
func (s *Server) cardViews(snap *core.Snapshot) []cardView {
	if sentOut(snap) {
		return nil
	}
	var out []cardView
	for _, c := range snap.Cards {
		v := cardView{Seq: c.Seq, Title: c.Alarm, When: "at an hour that is not known"}
		for _, a := range snap.Alarms {
			if a.ID == c.Alarm {
				v.Title = a.Title
			}
		}
		if !c.Wall.IsZero() {
			v.When = "on " + c.Wall.In(s.opt.Zone).Format("2 January, 15:04")
		}
		if c.TimesN > 1 {
			v.When += ", " + strconv.Itoa(c.TimesN) + " times"
		}
		for _, id := range core.Choices(c.Alarm) {
			v.Choices = append(v.Choices, option{id, choiceWord(id)})
		}
		out = append(out, v)
	}
	return out
}

// choiceWord is an answer as people read it.
func choiceWord(id string) string {
	switch id {
	case "joint-leaked":
		return "A joint or hose leaked"
	case "appliance-open":
		return "An appliance was open and unlit"
	case "cooking":
		return "Cooking"
	case "spray-or-alcohol":
		return "Spray, alcohol or cleaner"
	case "from-outside":
		return "It came from outside"
	case "alarm-itself":
		return "Nothing: the sensor or alarm itself"
	case "heater-or-flue":
		return "Heater or flue"
	case "engine-or-generator":
		return "An engine or generator nearby"
	case "too-cold-or-iced":
		return "Too cold, or ice at the regulator"
	case "heater-locked-out":
		return "The heater had locked out"
	case "battery-low":
		return "The house battery was low"
	case "not-wanted":
		return "No heat was wanted"
	case "froze":
		return "Water froze"
	case "did-not-freeze":
		return "Nothing froze"
	case "load-left-on":
		return "Something was left on"
	case "not-charged":
		return "It was not charged"
	case "battery-worn":
		return "The battery is worn"
	case "test":
		return "A test or drill"
	case "not-known":
		return "Nobody knows"
	}
	word := strings.ReplaceAll(id, "-", " ")
	return strings.ToUpper(word[:1]) + word[1:]
}

// formAnswer reads a card as it was filled in.
func formAnswer(f url.Values) (core.Command, error) {
	card, err := strconv.ParseUint(f.Get("card"), 10, 64)
	if err != nil {
		return core.Command{}, errors.New("answer: the form names no card")
	}
	a := core.Answer{Card: card, Choice: f.Get("choice"), Text: strings.TrimSpace(f.Get("text"))}
	if f.Get("do") == "dismiss" {
		a.Choice, a.Text = core.Dismissed, ""
	}
	return core.Command{Answered: &a}, nil
}
