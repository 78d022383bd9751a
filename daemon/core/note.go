package core

import (
	"errors"
	"fmt"
	"slices"
	"strings"
	"time"
	"unicode"

	"frostline/daemon/estimate"
)

// Kinds of notes.
const (
	ChangeUndone = "change-undone" // the last word about a change of cylinder was taken back
	JointChecked = "joint-check"   // with Joint, Result
	AlarmAnswer  = "alarm-answer"  // with Alarm, Of, Choice, Text
	NightChosen  = "night-window"  // with Text, as 18:00-10:00
)

// Note is what a person did or said that is worth a line in the log of events. It moves no
// alarm and changes no limit. Only the fields its kind needs are set.
type Note struct {
	Kind   string `json:"kind"`
	Actor  string `json:"actor"`
	Joint  string `json:"joint,omitempty"`
	Result string `json:"result,omitempty"`
	Alarm  string `json:"alarm,omitempty"`
	Of     uint64 `json:"of_seq,omitzero"` // the event that raised the alarm
	Choice string `json:"choice,omitempty"`
	Text   string `json:"text,omitempty"`
}

// What leak-detection fluid showed at a joint.
const (
	NoBubbles = "no-bubbles" // which is no proof that it is tight
	Bubbles   = "bubbles"
)

// Joints lists what is brushed with leak-detection fluid after a change, in that order: from
// the cylinder on, the joint that was opened before those that were not (common practice, no
// source).
func Joints() []string {
	return []string{"valve-outlet", "valve-stem", "pigtail", "regulator-inlet", "regulator-body", "regulator-outlet", "locker-pipe"}
}

// JointCheck is what a person saw at one joint.
type JointCheck struct {
	Joint  string `json:"joint"`
	Result string `json:"result"`
}

func (j JointCheck) check() error {
	if !slices.Contains(Joints(), j.Joint) {
		return fmt.Errorf("joint: %.40q is none of %s", j.Joint, strings.Join(Joints(), ", "))
	}
	if j.Result != NoBubbles && j.Result != Bubbles {
		return fmt.Errorf("joint: result %.20q is neither %s nor %s", j.Result, NoBubbles, Bubbles)
	}
	return nil
}

// JointAnswer is the newest answer about a joint since the last change.
type JointAnswer struct {
	JointCheck
	Wall time.Time `json:"wall,omitzero"` // zero if the clock was not trusted
}

// joint takes an answer; the one before about the same joint is replaced.
func (c *Core) joint(j JointCheck, in Input, actor string) {
	a := JointAnswer{JointCheck: j}
	if c.last != nil && c.last.Est.ClockTrusted {
		a.Wall = in.Stamp.Wall
	}
	others := slices.DeleteFunc(slices.Clone(c.joints), func(o JointAnswer) bool { return o.Joint == j.Joint })
	c.joints = append(others, a)
	c.note = &Note{Kind: JointChecked, Actor: actor, Joint: j.Joint, Result: j.Result}
}

// opened forgets what was seen at joints: one of them has been opened since.
func (c *Core) opened(happened []estimate.Happening) {
	for _, h := range happened {
		if h.Kind == estimate.CylinderPlaced || h.Kind == estimate.CylinderRemoved {
			c.joints = nil
		}
	}
}

// mostTextBytes bounds what a person may write about an alarm.
const mostTextBytes = 200

// Answer is what a person says an alarm was. Choice is one of [Choices] or [Dismissed].
type Answer struct {
	Card   uint64 `json:"card"` // Seq of the card
	Choice string `json:"choice"`
	Text   string `json:"text,omitempty"`
}

func (a Answer) check() error {
	switch {
	case a.Card == 0:
		return errors.New("answer: name the card")
	case a.Choice == "":
		return errors.New("answer: choose what it was; not-known is an answer too")
	case len(a.Text) > mostTextBytes:
		return fmt.Errorf("answer: %d bytes of text, at most %d are kept", len(a.Text), mostTextBytes)
	case strings.ContainsFunc(a.Text, func(r rune) bool { return !unicode.IsPrint(r) }):
		return errors.New("answer: the text is to be one line")
	}
	return nil
}
