package web

import (
	"context"
	"fmt"
	"strings"
	"testing"

	"frostline/daemon/core"
)

func TestWhatIsDoneAndNotKeptIsNotCalledRefused(t *testing.T) {
	s := New(Options{Open: true, Writable: true, Command: func(context.Context, core.Command) error {
		return fmt.Errorf("%w (disk full)", core.ErrNotKept)
	}})
	s.Deliver(quietEvening())
	w := ask(s, "POST", "/api/command", `{"weight_watch":true}`, "Content-Type", asJSON)
	if w.Code != 202 || !strings.Contains(w.Body.String(), "not written to disk") {
		t.Errorf("got %d %s, want 202 and that it is not on disk", w.Code, w.Body)
	}
	if text := sentence(core.ErrNotKept); strings.Contains(text, "Not done") {
		t.Errorf("the page says %q of what was done", text)
	}
}
