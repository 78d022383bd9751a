package web

import (
	"context"
	"fmt"
	"net/http"
	"slices"
	"strings"
	"sync"
	"time"

	"frostline/daemon/show"
)

// Path is one way a person outside the van is told of alarms.
type Path struct {
	Name  string                      // "webhook": in the address of its test, and on the page
	State func() string               // in words: what got through last, what is wrong, what waits
	Test  func(context.Context) error // sends a test; nil if the path has none. Its error is shown to the person
}

const (
	testEvery = 30 * time.Second // for each path, whoever presses
	testWait  = 12 * time.Second // the server gives an answer 15 s in all
)

// told is the section "Who gets told": each path, and when its test was pressed last.
type told struct {
	paths []Path

	mu     sync.Mutex
	tested map[string]time.Time
}

// toldView is one path as words.
type toldView struct {
	Name, Word, State string
	CanTest           bool
}

func (t *told) views() []toldView {
	var out []toldView
	for _, p := range t.paths {
		out = append(out, toldView{p.Name, pathWord(p.Name), p.State(), p.Test != nil})
	}
	return out
}

// pathWord is a path's name at the beginning of a line.
func pathWord(name string) string {
	if name == "mqtt" {
		return "MQTT"
	}
	return strings.ToUpper(name[:1]) + name[1:]
}

// turn takes the turn of a test, or says for how long there is none.
func (t *told) turn(name string, now time.Time) time.Duration {
	t.mu.Lock()
	defer t.mu.Unlock()
	if last, ok := t.tested[name]; ok && now.Sub(last) < testEvery {
		return testEvery - now.Sub(last)
	}
	if t.tested == nil {
		t.tested = map[string]time.Time{}
	}
	t.tested[name] = now
	return 0
}

// postTest sends a test over one path and says what became of it.
func (s *Server) postTest(w http.ResponseWriter, r *http.Request) {
	say := func(status int, text string) {
		s.sendPage(w, r, status, notice{Text: text, Refused: status != http.StatusOK})
	}
	i := slices.IndexFunc(s.told.paths, func(p Path) bool { return p.Name == r.PathValue("path") })
	switch {
	case !s.opt.Writable:
		say(http.StatusForbidden, sentence(errReadOnly))
		return
	case i < 0 || s.told.paths[i].Test == nil:
		say(http.StatusNotFound, "Not done. No path of this name can be tested.")
		return
	}
	p := s.told.paths[i]
	if wait := s.told.turn(p.Name, time.Now()); wait > 0 {
		w.Header().Set("Retry-After", fmt.Sprint(int(wait.Seconds())+1))
		say(http.StatusTooManyRequests, "Not done. This path was tested a moment ago; try again in "+show.Duration(wait+time.Second)+".")
		return
	}
	ctx, cancel := context.WithTimeout(r.Context(), testWait)
	defer cancel()
	if err := p.Test(ctx); err != nil {
		s.opt.Log.Warn("test of a path failed", "output", p.Name, "err", err)
		say(http.StatusBadGateway, "The test did not get through. "+pathWord(p.Name)+": "+err.Error()+".")
		return
	}
	say(http.StatusOK, pathWord(p.Name)+": the other end took the test. Look whether it arrived where you will see it, and whether it makes a sound.")
}
