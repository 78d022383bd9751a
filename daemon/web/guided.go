package web

import (
	"net/http"
	"net/url"
	"time"

	"frostline/daemon/core"
	"frostline/daemon/estimate"
	"frostline/daemon/show"
)

// waitS is how long each joint is watched after it was brushed, seconds. Small leaks foam
// slowly (common practice, no source).
const waitS = 60

// jointView is one joint of the check.
type jointView struct {
	ID, Name, How string
	Answer        string // empty if nobody has looked
	Bubbles       bool
}

// checkView is the check with leak-detection fluid as words.
type checkView struct {
	Joints  []jointView
	WaitS   int
	Left    int
	Bubbles []string // joints that bubbled
	Result  string
	Sees    string // what a weight watch can see
}

// jointWords names a joint and says how it is brushed.
func jointWords(id string) (name, how string) {
	switch id {
	case "valve-outlet":
		return "Cylinder valve outlet", "The joint you opened. All around the nut."
	case "valve-stem":
		return "Cylinder valve stem", "Around the spindle under the handwheel, valve open."
	case "pigtail":
		return "Pigtail or hose", "Its whole length and both crimps. Look for cracks while you are there."
	case "regulator-inlet":
		return "Regulator inlet", "All around the nut."
	case "regulator-body":
		return "Regulator body", "The seam of the cap. Keep fluid off the vent: in frost it closes it."
	case "regulator-outlet":
		return "Regulator outlet", "The joint to the low-pressure hose or pipe."
	case "locker-pipe":
		return "Joints in the locker", "Every joint up to where the pipe leaves the locker."
	}
	return id, ""
}

// getCheck is the page of the check.
func (s *Server) getCheck(d *pageData, f *frame, _ *http.Request) {
	if d.Known {
		d.Check = s.checkView(f.snap)
		d.Check.Result, d.Check.Sees = d.Look.choice().Text(d.Check.Result), d.Look.choice().Text(d.Check.Sees)
	}
}

func (s *Server) checkView(snap *core.Snapshot) *checkView {
	v := &checkView{WaitS: waitS, Sees: watchSees(snap.Est.Watch)}
	for _, id := range core.Joints() {
		j := jointView{ID: id}
		j.Name, j.How = jointWords(id)
		for _, a := range snap.Joints {
			if a.Joint != id {
				continue
			}
			j.Bubbles = a.Result == core.Bubbles
			j.Answer = "No bubbles seen"
			if j.Bubbles {
				j.Answer = "Bubbles"
				v.Bubbles = append(v.Bubbles, j.Name)
			}
			if !a.Wall.IsZero() {
				j.Answer += " at " + s.clock(a.Wall)
			}
		}
		if j.Answer == "" {
			v.Left++
		}
		v.Joints = append(v.Joints, j)
	}
	v.Result = checkResult(v, snap.Est.Watch)
	return v
}

// checkResult is the result of fluid and scale together; it never says that all is tight.
func checkResult(v *checkView, w estimate.WeightWatch) string {
	switch {
	case len(v.Bubbles) > 0:
		return ""
	case v.Left == len(v.Joints):
		return ""
	case v.Left > 0:
		return "Not all joints looked at yet."
	case w.Asked && w.Quiet && !w.Suspected && w.SmallestGPerH.Known():
		return "No bubbles seen, and no loss above " + show.Number(w.SmallestGPerH.High, show.GPerH) + " seen; this is not a tightness test."
	}
	return "No bubbles seen at any joint; this is not a tightness test. A weight watch can look for a slow loss of weight besides."
}

// watchSees says the smallest loss a weight watch can tell now, and when it can tell less.
func watchSees(w estimate.WeightWatch) string {
	now := "It can tell no loss from none yet."
	if w.SmallestGPerH.Known() {
		now = "It can tell a loss from " + show.Number(w.SmallestGPerH.High, show.GPerH) + " now."
	}
	if w.BlindForS > 0 {
		return now + " The scale settles for another " + show.Duration(time.Duration(w.BlindForS)*time.Second) + " after the change; what it says counts from then on."
	}
	if w.NextInS > 0 && w.NextGPerH.Known() {
		now += " After another " + show.Duration(time.Duration(w.NextInS)*time.Second) + " with everything off it can tell one from about " +
			show.Number(w.NextGPerH.Value, show.GPerH) + "."
	}
	return now
}

// formJoint reads the answer about one joint.
func formJoint(f url.Values) core.Command {
	return core.Command{Joint: &core.JointCheck{Joint: f.Get("joint"), Result: f.Get("result")}}
}
