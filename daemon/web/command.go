package web

import (
	"context"
	"errors"
	"fmt"
	"io"
	"mime"
	"net/http"
	"strconv"
	"strings"
	"time"

	"frostline/daemon/core"
	"frostline/daemon/estimate"
)

// maxBody bounds what is read of any request.
const maxBody = 64 << 10

// commandWait bounds how long a person waits for the answer to a press of a button.
const commandWait = 10 * time.Second

// postCommand takes one command as JSON and answers once its effect is stored.
func (s *Server) postCommand(w http.ResponseWriter, r *http.Request) {
	if !hasType(r, "application/json") {
		s.sendError(w, http.StatusUnsupportedMediaType, errors.New("command: send one JSON object as application/json"))
		return
	}
	body, err := io.ReadAll(http.MaxBytesReader(w, r.Body, maxBody))
	if err != nil {
		s.sendError(w, bodyStatus(err), bodyError(err))
		return
	}
	cmd, err := core.ParseCommand(body)
	if err == nil {
		err = mayAsk(r, cmd)
	}
	if err != nil {
		s.sendError(w, http.StatusBadRequest, err)
		return
	}
	if status, err := s.carryOut(r, cmd); err != nil {
		s.sendError(w, status, err)
		return
	}
	s.sendJSON(w, http.StatusOK, struct {
		Done string `json:"done"`
		Said string `json:"said"`
	}{cmd.Verb(), saidOf(cmd.Verb())})
}

// postForm takes one command as a form. Done, it goes back to the page; refused, it answers
// with the page and the reason on it.
func (s *Server) postForm(w http.ResponseWriter, r *http.Request) {
	if !readForm(w, r) {
		return
	}
	cmd, err := s.formCommand(r)
	if err == nil {
		err = cmd.Check()
	}
	if err != nil {
		s.sendRefusal(w, r, http.StatusUnprocessableEntity, notice{Text: sentence(err), Refused: true})
		return
	}
	if s.writable(r) && !s.confirmed(w, r, cmd) {
		return
	}
	if status, err := s.carryOut(r, cmd); err != nil {
		s.sendRefusal(w, r, status, notice{Text: sentence(err), Refused: status != http.StatusAccepted})
		return
	}
	http.Redirect(w, r, after(cmd)+"?done="+cmd.Verb(), http.StatusSeeOther)
}

// after is the page on which a person goes on once an order is done.
func after(cmd core.Command) string {
	switch {
	case cmd.Changed != nil, cmd.Undone, cmd.Collar != nil:
		return "/change"
	case cmd.Joint != nil:
		return "/check"
	}
	return "/"
}

// carryOut hands over a command that was checked, waits until its effect is stored, and says
// which status its error has.
func (s *Server) carryOut(r *http.Request, cmd core.Command) (int, error) {
	cmd.Actor = visitorOf(r).actor()
	if s.opt.Command == nil || !s.opt.Writable && !atBoard(r) {
		return http.StatusForbidden, errReadOnly
	}
	if err := s.nonsense(cmd); err != nil {
		return http.StatusUnprocessableEntity, err
	}
	ctx, cancel := context.WithTimeout(r.Context(), commandWait)
	defer cancel()
	err := s.opt.Command(ctx, cmd)
	switch {
	case errors.Is(err, core.ErrNotKept): // done, and 202 promises no more than that
		return http.StatusAccepted, err
	case err != nil && ctx.Err() != nil:
		s.opt.Log.Error("command not answered", "verb", cmd.Verb(), "err", err)
		return http.StatusGatewayTimeout, errors.New("the van did not confirm in time; look whether it was taken before asking again")
	case err != nil:
		return http.StatusConflict, err
	}
	return http.StatusOK, nil
}

// mayAsk refuses what the sender may not ask for: taking an alarm out of service is for the
// board itself; the glove button's word and stopping are the daemon's own.
func mayAsk(r *http.Request, c core.Command) error {
	if c.Actor != "" {
		return errors.New("command: actor is set here, not by the sender")
	}
	switch verb := c.Verb(); verb {
	case "ack", "reset", "shelve", "unshelve", "cylinder_changed", "expected_low", "weight_watch", "wall_set", "change_undone", "collar_read",
		"joint_checked", "alarm_answered", "night_window", "calibrated", "calibration_undone", "sounder_heard":
		return nil
	case "out_of_service", "in_service":
		if atBoard(r) {
			return nil
		}
		return fmt.Errorf("command: %s is not taken from a phone: give it on the board", verb)
	default:
		return fmt.Errorf("command: %s is not taken from a phone or a command", verb)
	}
}

// formCommand reads a form of the page. Masses and temperatures come in the unit the form
// names, because the phone's choice may have changed since the page was drawn.
func (s *Server) formCommand(r *http.Request) (core.Command, error) {
	f := r.PostForm
	alarm := f.Get("alarm")
	switch f.Get("do") {
	case "ack":
		return core.Command{Ack: alarm}, nil
	case "reset":
		return core.Command{Reset: alarm}, nil
	case "unshelve":
		return core.Command{Unshelve: alarm}, nil
	case "shelve":
		hours, err := strconv.ParseFloat(f.Get("hours"), 64)
		if err != nil {
			return core.Command{}, errors.New("shelve: say for how many hours")
		}
		return core.Command{Shelve: &core.Shelve{Alarm: alarm, ForS: hours * 3600}}, nil
	case "watch-start", "watch-end":
		start := f.Get("do") == "watch-start"
		return core.Command{WeightWatch: &start}, nil
	case "clock":
		return formWall(f, s.opt.Zone)
	case "same":
		return core.Command{Changed: &estimate.Change{Same: true}}, nil
	case "another":
		return formChange(f.Get)
	case "night":
		return core.Command{Night: &core.NightWindow{From: clockOf(f.Get("from")), To: clockOf(f.Get("to"))}}, nil
	case "collar":
		return formCollar(f.Get)
	case "undo":
		return core.Command{Undone: true}, nil
	case "joint":
		return formJoint(f), nil
	case "answer", "dismiss":
		return formAnswer(f)
	case "low":
		c, err := entered(f.Get("low"), "expected low")
		if err != nil {
			return core.Command{}, err
		}
		if c == nil {
			return core.Command{}, errors.New("expected low: enter a temperature")
		}
		if f.Get("temp") == "f" {
			*c = (*c - 32) / 1.8
		}
		return core.Command{ExpectedLow: &core.ExpectedLow{C: *c}}, nil
	}
	return core.Command{}, errors.New("nothing asked for: the form names no action")
}

// kgPerLb is exact by the definition of the international pound.
const kgPerLb = 0.45359237

// formCollar reads what the collar of the cylinder on the scale says.
func formCollar(get func(string) string) (core.Command, error) {
	cmd, err := formChange(get)
	if err != nil {
		return cmd, err
	}
	ch := cmd.Changed
	return core.Command{Collar: &estimate.Collar{TareKg: ch.TareKg, CapacityKg: ch.CapacityKg, RequalifyBy: ch.RequalifyBy}}, nil
}

func formChange(get func(string) string) (core.Command, error) {
	var ch estimate.Change
	for _, field := range []struct {
		key, what string
		into      *float64
	}{
		{"tare", "tare", &ch.TareKg},
		{"fill", "fill by the label", &ch.FillKg},
		{"capacity", "fill by the stamp", &ch.CapacityKg},
	} {
		v, err := entered(get(field.key), field.what)
		if err != nil {
			return core.Command{}, err
		}
		if v == nil {
			continue
		}
		if *v == 0 {
			return core.Command{}, fmt.Errorf("%s: 0 is no weight; leave it empty if you do not know it", field.what)
		}
		if get("mass") == "lb" {
			*v *= kgPerLb
		}
		*field.into = *v
	}
	ch.Blend = estimate.Blend(get("blend"))
	ch.Name, ch.RequalifyBy = strings.TrimSpace(get("name")), strings.TrimSpace(get("requalify"))
	return core.Command{Changed: &ch}, nil
}

// entered is a number a person typed, nil if left empty. A decimal comma is taken, and the
// minus sign of a phone's keyboard.
func entered(text, what string) (*float64, error) {
	text = strings.TrimSpace(text)
	if text == "" {
		return nil, nil
	}
	v, err := strconv.ParseFloat(strings.NewReplacer(",", ".", "\u2212", "-").Replace(text), 64)
	if err != nil {
		return nil, fmt.Errorf("%s: %q is not a number; write it like 7.5", what, text)
	}
	return &v, nil
}

// saidOf is what the page says when a command is done.
func saidOf(verb string) string {
	switch verb {
	case "ack":
		return "Acknowledged. The alarm stays on the page until its cause is gone."
	case "reset":
		return "Reset. This does not mean the air is fit to breathe: a qualified person decides on return."
	case "shelve":
		return "Shelved. It comes back by itself when the time is over."
	case "unshelve":
		return "Back on watch."
	case "cylinder_changed":
		return "Cylinder noted. Now check the joints."
	case "night_window":
		return "Night noted. Rows of the ledger keep the hours they were lived with."
	case "change_undone":
		return "Taken back. The cylinder is again what it was before."
	case "collar_read":
		return "Collar noted."
	case "joint_checked":
		return "Noted."
	case "alarm_answered":
		return "Thank you. It is in the log; no limit changes by it."
	case "expected_low":
		return "Expected low noted."
	case "weight_watch":
		return "Weight watch noted. It is not a tightness test."
	case "calibrated":
		return "Taken."
	case "calibration_undone":
		return "The calibration before holds again."
	case "sounder_heard":
		return "Noted."
	case "wall_set":
		return "Clock set from this phone."
	case "look":
		return "Kept on this phone."
	case "pair":
		return "This phone is paired."
	case "pair-unkept":
		return "This phone is paired until the van's board starts anew: the disk does not take it down."
	case "revoke":
		return "Revoked. That phone sees nothing any more."
	}
	return ""
}

// hasType reports whether the body is declared as the media type.
func hasType(r *http.Request, want string) bool {
	got, _, err := mime.ParseMediaType(r.Header.Get("Content-Type"))
	return err == nil && got == want
}

func bodyStatus(err error) int {
	var long *http.MaxBytesError
	if errors.As(err, &long) {
		return http.StatusRequestEntityTooLarge
	}
	return http.StatusBadRequest
}

func bodyError(err error) error {
	var long *http.MaxBytesError
	if errors.As(err, &long) {
		return fmt.Errorf("command: longer than the %d bytes that are taken; nothing of it was done", long.Limit)
	}
	return fmt.Errorf("command: the request could not be read: %w", err)
}

// sentence turns an error into words for the page.
func sentence(err error) string {
	text := strings.TrimPrefix(err.Error(), "command: ")
	if text == "" {
		return "Refused."
	}
	if errors.Is(err, core.ErrNotKept) { // it was done, and saying otherwise would have it done twice
		return strings.ToUpper(text[:1]) + text[1:] + "."
	}
	return "Not done. " + strings.ToUpper(text[:1]) + text[1:] + "."
}
