package web

import (
	"context"
	"net/http"
	"testing"

	"frostline/daemon/core"
)

func TestTheBoardMayDoWhatAPhoneMayNot(t *testing.T) {
	var given []core.Command
	s := pageFor(quietEvening(), func(o *Options) {
		o.Writable = false
		o.Command = func(_ context.Context, c core.Command) error { given = append(given, c); return nil }
	})
	for body, want := range map[string][2]int{ // from the page, on the board
		`{"ack":"gas-leave"}`:            {http.StatusForbidden, http.StatusOK},
		`{"out_of_service":"gas-leave"}`: {http.StatusBadRequest, http.StatusOK},
		`{"stop":"now"}`:                 {http.StatusBadRequest, http.StatusBadRequest},
		`{"ack_audible":true}`:           {http.StatusBadRequest, http.StatusBadRequest},
	} {
		page := ask(s, "POST", "/api/command", body, "Content-Type", "application/json")
		board := ask(s.Board(), "POST", "/api/command", body, "Content-Type", "application/json")
		if got := [2]int{page.Code, board.Code}; got != want {
			t.Errorf("%s: %v, want %v", body, got, want)
		}
	}
	if len(given) != 2 {
		t.Fatalf("%d commands were given, want the two from the board", len(given))
	}
	for _, c := range given {
		if c.Actor != "board" {
			t.Errorf("%s was given by %q, want the board", c.Verb(), c.Actor)
		}
	}
}
