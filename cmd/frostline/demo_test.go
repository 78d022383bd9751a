package main

import (
	"io"
	"net/http"
	"os"
	"os/exec"
	"regexp"
	"strings"
	"sync"
	"testing"
	"time"
)

// startDemo runs a demo as its user would and returns what it said of its addresses.
func startDemo(t *testing.T, args ...string) (p *program, page, broker string) {
	t.Helper()
	p = &program{t: t}
	p.cmd = exec.Command(os.Args[0], append([]string{"demo"}, args...)...)
	p.cmd.Env = append(os.Environ(), "FROSTLINE_AS_COMMAND=1")
	p.cmd.Stderr = &p.log
	if err := p.cmd.Start(); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(p.kill)
	said := regexp.MustCompile(`page +http://(\S+)/\n(?s:.*)-h (\S+) -p (\d+)`)
	for deadline := time.Now().Add(patience); time.Now().Before(deadline); time.Sleep(10 * time.Millisecond) {
		if m := said.FindStringSubmatch(p.log.String()); m != nil {
			p.page = m[1]
			return p, m[1], m[2] + ":" + m[3]
		}
	}
	t.Fatalf("the demo never said where to look:\n%s", p.log.String())
	return nil, "", ""
}

// TestTheDemoShowsALeakOnPageMetricsAndBroker runs the demo's leak in fast time, and then a
// second demo on the same ports. The leak lasts for half an hour of the van's time.
func TestTheDemoShowsALeakOnPageMetricsAndBroker(t *testing.T) {
	t.Parallel()
	pageAt, brokerAt := freeAddress(t), freeAddress(t)
	p, page, broker := startDemo(t, "--scenario", "leak", "--speed", "120", "--listen", pageAt, "--broker", brokerAt)
	if page != pageAt || broker != brokerAt {
		t.Errorf("asked for %s and %s, got %s and %s", pageAt, brokerAt, page, broker)
	}
	heard := watchBroker(t, broker, "ears")
	p.until("leave is raised on the page", func(s shown) bool { return s.alarm("gas-leave").State == "unacknowledged" })
	metrics := p.text(t, "/metrics")
	for _, want := range []string{`frostline_gas_band{frostline_gas_band="leave"} 1`, `frostline_alarm_state{alarm="gas-leave",frostline_alarm_state="unacknowledged"} 1`} {
		if !strings.Contains(metrics, want) {
			t.Errorf("metrics lack %s", want)
		}
	}
	for _, want := range []struct{ topic, text string }{
		{"homie/5/van-demo/$state", "ready"},
		{"homie/5/van-demo/gas/band", "leave"},
		{"homie/5/van-demo/$alert/gas-leave", "Out"},
		{"frostline/van-demo/events/alarm", `"alarm":"gas-leave","from":"normal","to":"unacknowledged","priority":"critical"`},
	} {
		if !heard.wait(want.topic, want.text) {
			t.Errorf("the broker never carried %s with %q", want.topic, want.text)
		}
	}

	second, page2, broker2 := startDemo(t, "--scenario", "leak", "--speed", "120", "--listen", pageAt, "--broker", brokerAt)
	if page2 == page || broker2 == broker || strings.Count(second.log.String(), "is busy") != 2 {
		t.Errorf("a second demo must take other ports and say so:\n%s", second.log.String())
	}
	if second.text(t, "/") == "" {
		t.Error("the second demo's page is empty")
	}
}

// text is what the page answers, which must be 200.
func (p *program) text(t *testing.T, path string) string {
	t.Helper()
	resp, err := http.Get("http://" + p.page + path)
	if err != nil {
		t.Fatal(err)
	}
	defer resp.Body.Close()
	body, err := io.ReadAll(resp.Body)
	if err != nil || resp.StatusCode != http.StatusOK {
		t.Fatalf("%s: %s, %v", path, resp.Status, err)
	}
	return string(body)
}

// ears are all messages of a broker.
type ears struct {
	mu  sync.Mutex
	all []string
}

func (e *ears) wait(topic, text string) bool {
	for deadline := time.Now().Add(patience); time.Now().Before(deadline); time.Sleep(20 * time.Millisecond) {
		e.mu.Lock()
		for _, m := range e.all {
			if strings.HasPrefix(m, topic+" ") && strings.Contains(m, text) {
				e.mu.Unlock()
				return true
			}
		}
		e.mu.Unlock()
	}
	return false
}
