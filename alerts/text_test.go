package alerts

import (
	"os"
	"regexp"
	"slices"
	"strings"
	"testing"

	"frostline/daemon/estimate"
	"frostline/sensors"
)

// texts is everything a rule says by itself.
func (r *Rule) texts() string {
	return strings.Join([]string{r.Title, r.Meaning, r.Action, r.Fell, r.OnReset}, "\n")
}

func ruleByID(t *testing.T, id string) Rule {
	t.Helper()
	rules := Catalogue(Defaults())
	i := slices.IndexFunc(rules, func(r Rule) bool { return r.ID == id })
	if i < 0 {
		t.Fatalf("no alarm %s", id)
	}
	return rules[i]
}

func runbook(t *testing.T) string {
	t.Helper()
	b, err := os.ReadFile("RUNBOOK.md")
	if err != nil {
		t.Fatal(err)
	}
	return string(b)
}

// checkText fails on a promise, and on a valve that is closed without saying from where.
func checkText(t *testing.T, where, text string) {
	t.Helper()
	forbidden := regexp.MustCompile(`(?i)\b(un)?safe(ly|ty)?\b|all[ -]clear|no gas here`)
	if bad := forbidden.FindString(text); bad != "" {
		t.Errorf("%s says %q", where, bad)
	}
	for _, part := range regexp.MustCompile(`(?i)close the (cylinder )?valve|close the cylinder`).FindAllStringIndex(text, -1) {
		if rest := text[part[1]:]; !strings.HasPrefix(strings.TrimLeft(rest, ", "), valveOnly) {
			t.Errorf("%s closes the valve without %q: %.60q", where, valveOnly, rest)
		}
	}
}

func TestNoTextPromisesAnythingOrOffersSilenceFirst(t *testing.T) {
	check := func(where, text string) { checkText(t, where, text) }
	for _, r := range Catalogue(Defaults()) {
		check(r.ID, r.texts())
		if r.Title == "" || r.Meaning == "" || r.Action == "" {
			t.Errorf("%s lacks title, meaning or action", r.ID)
		}
		if word := strings.ToLower(strings.Fields(r.Action)[0]); strings.HasPrefix(word, "silence") || strings.HasPrefix(word, "ack") || strings.HasPrefix(word, "mute") {
			t.Errorf("%s offers %q first", r.ID, word)
		}
	}
	for id, text := range sections(t) {
		check("runbook of "+id, text)
	}
}

func TestLeaveSaysWhatToDoInTheOrderOfTheTrade(t *testing.T) {
	for _, id := range []string{"gas-leave", "certified-alarm"} {
		text := ruleByID(t, id).Action
		at := -1
		for _, part := range []string{"Out", "No switches", "no flame", "no phone inside", "Close the cylinder valve " + valveOnly,
			"Leave doors open", "Call from outside", "Have it checked"} {
			i := strings.Index(text, part)
			if i <= at {
				t.Errorf("%s: %q is missing or out of order in %q", id, part, text)
			}
			at = i
		}
	}
}

// TestEachCauseOfAStarvedHeaterHasItsOwnFirstStep walks all causes: each text keeps the
// rules of the van, and one that nothing tells keeps the general one.
func TestEachCauseOfAStarvedHeaterHasItsOwnFirstStep(t *testing.T) {
	rule := ruleByID(t, "starved")
	seen := map[string]string{"": rule.Action}
	for _, id := range []string{estimate.CauseEmpty, estimate.CauseThin, estimate.CauseIce, estimate.CauseValve, estimate.CauseRegulator, estimate.CauseHeater} {
		est := &estimate.Estimates{Starved: estimate.Yes, CauseTold: true, Causes: []estimate.Cause{{ID: id, PartFrac: 0.7}}}
		text := rule.Advise(&Facts{Est: est})
		if was, twice := seen[text]; twice {
			t.Errorf("%s says what %q says", id, was)
		}
		seen[text] = id
		if !strings.HasPrefix(text, firstSmell) || !strings.HasSuffix(text, noCooktop) {
			t.Errorf("%s begins without the smell or ends without the cooktop: %q", id, text)
		}
		checkText(t, id, text)
		est.CauseTold = false
		if text := rule.Advise(&Facts{Est: est}); text != "" {
			t.Errorf("%s, not told from the others, advises %q", id, text)
		}
	}
	for _, id := range []string{estimate.CauseIce, estimate.CauseRegulator} {
		if text := starvedAdvice(id); !strings.Contains(text, iceRegulator) {
			t.Errorf("%s does not say that a freezing regulator can pass too much: %q", id, text)
		}
	}
}

func TestTextsTheRulesOfTheVanAskFor(t *testing.T) {
	for _, id := range []string{"starved", "supply-thin", "pipe-cold", "battery-low", "tonight-short", "fuel-below-night"} {
		if r := ruleByID(t, id); !strings.HasSuffix(r.Action, "Do not heat with the cooktop.") {
			t.Errorf("%s does not end with the cooktop: %q", id, r.Action)
		}
	}
	if r := ruleByID(t, "gas-trace"); r.Meaning != "Vapours, source unknown. Treat as gas if you smell it or cannot name the source." {
		t.Errorf("trace reads %q", r.Meaning)
	}
	for _, id := range []string{"gas-leave", "gas-warning", "gas-trace"} {
		if r := ruleByID(t, id); r.Fell != "level fell, cause unknown" {
			t.Errorf("%s that cleared reads %q", id, r.Fell)
		}
	}
	for _, id := range []string{"starved", "supply-thin"} {
		r := ruleByID(t, id)
		for _, part := range []string{"Pressure may be too low or too high.", "Flame tall, yellow or roaring: close the cylinder",
			"No flame, torch or heat gun on it.", "Before reopening: all appliances off; relight one at a time."} {
			if !strings.Contains(r.Action, part) {
				t.Errorf("%s lacks %q", id, part)
			}
		}
	}
	if r := ruleByID(t, "co-alarm"); !strings.Contains(r.Meaning, "frostline never measures carbon monoxide") {
		t.Errorf("the CO alarm does not say that frostline measures none: %q", r.Meaning)
	}
	if r := ruleByID(t, "gas-blind"); !strings.Contains(r.Meaning, "The certified alarm is the only watch.") {
		t.Errorf("blind reads %q", r.Meaning)
	}
	if r := ruleByID(t, "leak-suspicion"); !strings.Contains(r.Meaning, "never evidence that nothing leaks") {
		t.Errorf("leak suspicion reads %q", r.Meaning)
	}
	if r := ruleByID(t, "requalification-due"); !strings.Contains(r.Action, "the filler decides") {
		t.Errorf("requalification reads %q", r.Action)
	}
}

// sections splits the runbook by its headings.
func sections(t *testing.T) map[string]string {
	out := map[string]string{}
	for _, part := range strings.Split(runbook(t), "\n## ")[1:] {
		id, text, _ := strings.Cut(part, "\n")
		if _, twice := out[id]; twice {
			t.Errorf("the runbook has two sections %s", id)
		}
		out[id] = text
	}
	return out
}

func TestEveryAlarmHasItsRunbookAndNothingElseIsInThere(t *testing.T) {
	all := sections(t)
	rules := Catalogue(Defaults())
	for _, r := range rules {
		if want := "alerts/RUNBOOK.md#" + r.ID; r.Runbook != want {
			t.Errorf("runbook of %s is %s, want %s", r.ID, r.Runbook, want)
		}
		text, ok := all[r.ID]
		if !ok {
			t.Errorf("the runbook has no section %s", r.ID)
			continue
		}
		at := -1
		for _, part := range []string{"**Means**: ", "**Danger**: ", "**Check**: ", "**Do**: ", "**Sound**: "} {
			i := strings.Index(text, part)
			if i <= at {
				t.Errorf("runbook of %s lacks %s or has it out of order", r.ID, part)
			}
			at = i
		}
		if says := strings.Contains(text, "shelved for up to 8 h"); r.CanShelve != says && !r.Silent {
			t.Errorf("runbook of %s speaks of a shelf: %v, the rule allows one: %v", r.ID, says, r.CanShelve)
		}
		if says := strings.Contains(text, "**Sound**: none"); r.Silent != says {
			t.Errorf("runbook of %s says it is silent: %v, the rule: %v", r.ID, says, r.Silent)
		}
		if says := strings.Contains(text, "uppressed while"); (r.Suppressed != nil) != says {
			t.Errorf("runbook of %s speaks of suppression: %v, the rule has one: %v", r.ID, says, r.Suppressed != nil)
		}
		delete(all, r.ID)
	}
	for id := range all {
		t.Errorf("the runbook has a section %s and the catalogue no such alarm", id)
	}
}

// Without a heat demand input nobody can say that a heater starves, and whoever looks at the
// alarm reads that it watches for nothing, and what would change it.
func TestStarvedSaysWhatItCannotSee(t *testing.T) {
	rule := ruleByID(t, "starved")
	for want, tweak := range map[string]func(*Facts){
		"no heat demand input is wired": func(f *Facts) {
			f.Est.Channels = slices.DeleteFunc(f.Est.Channels, func(c estimate.ChannelState) bool { return c.Channel == sensors.HeatCall })
		},
		"the heat demand input cannot be read: unplugged": func(f *Facts) {
			c, _ := fitted(f, sensors.HeatCall)
			c.Quality, c.Why = sensors.Bad, "unplugged"
		},
		"whether gas burns is not known: the van is moving": func(f *Facts) {
			f.Est.Heat, f.Est.BurnKgPerH = estimate.Yes, estimate.Unknown("the van is moving")
		},
	} {
		f := ordinaryFacts()
		f.Est.Starved = estimate.Unsure
		tweak(f)
		if why := rule.Why(f); !strings.Contains(why, want) {
			t.Errorf("it says %q, want %q", why, want)
		}
	}
}
