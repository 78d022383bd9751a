package announce

import (
	"bufio"
	"context"
	"encoding/json"
	"fmt"
	"maps"
	"os"
	"os/exec"
	"slices"
	"strings"
	"testing"

	"frostline/alerts"
	"frostline/daemon/core"
)

// TestAStrangersControllerUnderstandsTheVan holds the device against a controller nobody
// here wrote.
func TestAStrangersControllerUnderstandsTheVan(t *testing.T) {
	node := program(t, "node")
	dir := os.Getenv("FROSTLINE_NODE_MODULES")
	if dir == "" {
		skipOrFail(t, "FROSTLINE_NODE_MODULES does not name a folder with node-homie 5 and ajv 8 in it")
	}
	h := openHub(t)
	r := openRoad(t, h.addr, nil)
	set := make(chan core.Command, 1)
	first := put(vanAt(1), "gas-leave", alerts.Unacked, 1)
	a := announce(t, Options{Broker: r.addr, Command: func(_ context.Context, c core.Command) error {
		set <- c
		return nil
	}}, first)
	h.from.until(t, 0, "ready", saw(stateTopic, stateReady))

	cmd := exec.Command(node, "testdata/homie_controller.mjs", dir, "mqtt://"+h.addr)
	stdin, err := cmd.StdinPipe()
	if err != nil {
		t.Fatal(err)
	}
	stdout, err := cmd.StdoutPipe()
	if err != nil {
		t.Fatal(err)
	}
	var stderr strings.Builder
	cmd.Stderr = &stderr
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	said := newLedger()
	read := make(chan struct{})
	go func() {
		defer close(read)
		for s := bufio.NewScanner(stdout); s.Scan(); {
			said.add(heard{payload: s.Text()})
		}
	}()
	t.Cleanup(func() {
		cmd.Process.Kill()
		<-read
		cmd.Wait()
		if t.Failed() {
			t.Logf("controller: %s", stderr.String())
		}
	})
	sees := func(from int, what string) {
		t.Helper()
		said.until(t, from, what, func(hs []heard) bool {
			return slices.ContainsFunc(hs, func(h heard) bool { return strings.Contains(h.payload, what) })
		})
	}

	sees(0, `"saw":"device","id":"`+deviceID+`"`)
	sees(0, `"saw":"state","state":"ready"`)
	sees(0, `"saw":"description","valid":true`)
	sees(0, `"gas-leave":"Gas at floor level`)
	want := payloads(first)
	for path := range maps.Keys(want) {
		payload := want[path]
		if payload == "" || strings.HasPrefix(path, "$") {
			continue
		}
		value, _ := json.Marshal(payload)
		if path == "system/version" {
			value = []byte(`"v1"`)
		}
		sees(0, fmt.Sprintf(`"saw":"value","path":%q,"value":%s`, path, value))
	}
	sees(0, `"path":"tonight/expected-low","datatype":"float","settable":true`)

	if _, err := fmt.Fprintln(stdin, "set tonight/expected-low -19.5"); err != nil {
		t.Fatal(err)
	}
	if c := <-set; c.ExpectedLow == nil || c.ExpectedLow.C != -19.5 {
		t.Errorf("the controller's command arrived as %+v", c)
	}
	next := put(vanAt(2), "gas-leave", alerts.Normal, 2)
	next.Tonight.ExpectedLowC.Value = -19.5
	from := said.len()
	a.Deliver(next)
	sees(from, `"path":"tonight/expected-low","value":"-19.5"`)
	sees(from, `"saw":"alerts","alerts":{}`)

	from = said.len()
	r.set(false)
	sees(from, `"saw":"state","state":"lost"`)
	r.set(true)
	sees(from, `"saw":"state","state":"ready"`)
	all, _ := said.list()
	for _, line := range all {
		if strings.Contains(line.payload, `"valid":false`) || strings.Contains(line.payload, `"saw":"error"`) {
			t.Errorf("the controller objects: %s", line.payload)
		}
	}
}
