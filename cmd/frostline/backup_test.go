package main

import (
	"archive/tar"
	"bytes"
	"compress/gzip"
	"io"
	"net/url"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"syscall"
	"testing"
	"time"

	mqtt "github.com/eclipse/paho.mqtt.golang"
)

// TestABackupTakenFromARunningVanIsRestored takes a backup through the binary while the
// program runs, changes what it knows, restores, and finds the old state and the paired phone.
func TestABackupTakenFromARunningVanIsRestored(t *testing.T) {
	t.Parallel()
	conf, page, state, b := layVan(t)
	p := startProgram(t, conf, page, b)
	defer func() { p.kill() }()
	p.keeps(`{"cylinder_changed":{"tare_kg":7.3,"capacity_kg":9.1}}`)
	file := filepath.Join(t.TempDir(), "van.tar.gz")
	out, err := p.run("backup", file, "--config", conf)
	if err != nil || !strings.Contains(out, "No pairing and no secret is in it") {
		t.Fatalf("backup: %v\n%s", err, out)
	}
	if out, err := p.run("backup", file, "--config", conf); err == nil || !strings.Contains(out, "exists") {
		t.Errorf("a second backup over the first: %v\n%s", err, out)
	}
	p.keeps(`{"cylinder_changed":{"tare_kg":7.9,"capacity_kg":9.1}}`)
	if out, err := p.run("restore", file, "--config", conf); err == nil || !strings.Contains(out, "is running in") {
		t.Fatalf("restored under a running program: %v\n%s", err, out)
	}
	if err := os.Remove(filepath.Join(state, controlFile)); err != nil {
		t.Fatal(err)
	}
	if out, err := p.run("restore", file, "--config", conf); err == nil || !strings.Contains(out, "has the store in") {
		t.Fatalf("restored under a running program without its socket: %v\n%s", err, out)
	}
	p.kill()
	if err := os.WriteFile(filepath.Join(state, phonesFile), []byte("{}"), 0o600); err != nil {
		t.Fatal(err)
	}
	out, err = p.run("restore", file, "--config", conf)
	if err != nil || !strings.Contains(out, historyFile+".old") {
		t.Fatalf("restore: %v\n%s", err, out)
	}
	if got := keptTare(t, state); got != 7.3 {
		t.Errorf("tare %.1f kg after restoring, want 7.3 of the backup", got)
	}
	if text, err := os.ReadFile(filepath.Join(state, phonesFile)); err != nil || string(text) != "{}" {
		t.Errorf("the phones' file became %q, %v", text, err)
	}
	// The way back that restore names.
	other := t.TempDir()
	for _, tail := range []string{"", "-wal"} {
		text, err := os.ReadFile(filepath.Join(state, historyFile+".old"+tail))
		if err != nil && tail == "" {
			t.Fatal(err)
		}
		if err == nil {
			if err := os.WriteFile(filepath.Join(other, historyFile+tail), text, 0o600); err != nil {
				t.Fatal(err)
			}
		}
	}
	if got := keptTare(t, other); got != 7.9 {
		t.Errorf("tare %.1f kg in what was put aside, want 7.9", got)
	}
	p = startProgram(t, conf, page, b)
	// And once more with nobody running.
	p.kill()
	second := filepath.Join(t.TempDir(), "again.tar.gz")
	if out, err := p.run("backup", second, "--state", state); err != nil {
		t.Errorf("backup of a stopped van: %v\n%s", err, out)
	}
	left, err := filepath.Glob(filepath.Join(state, backupPrefix+"*"))
	if err != nil || len(left) > 0 {
		t.Errorf("backups leave %v behind", left)
	}
	text, err := os.ReadFile(second)
	if err != nil {
		t.Fatal(err)
	}
	breakBackup(t, p, text, state)
}

// breakBackup restores what a card, a careless hand or a stranger may have made of a backup.
func breakBackup(t *testing.T, p *program, whole []byte, state string) {
	t.Helper()
	before, err := os.ReadFile(filepath.Join(state, historyFile))
	if err != nil {
		t.Fatal(err)
	}
	archive := func(files ...string) []byte { // name, text, name, text
		var out bytes.Buffer
		z := gzip.NewWriter(&out)
		w := tar.NewWriter(z)
		for i := 0; i < len(files); i += 2 {
			if err := w.WriteHeader(&tar.Header{Name: files[i], Mode: 0o600, Size: int64(len(files[i+1]))}); err != nil {
				t.Fatal(err)
			}
			if _, err := io.WriteString(w, files[i+1]); err != nil {
				t.Fatal(err)
			}
		}
		w.Close()
		z.Close()
		return out.Bytes()
	}
	flipped := bytes.Clone(whole)
	flipped[len(flipped)/2] ^= 0x10
	for name, text := range map[string][]byte{
		"empty": nil, "no archive": []byte("hello"), "cut short": whole[:len(whole)/2], "its end is gone": whole[:len(whole)-4], "a bit flipped": flipped,
		"another archive": archive("../../etc/passwd", "x"),
		"no store":        archive(aboutFile, `{"format":1,"store_bytes":0}`),
		"a newer format":  archive(aboutFile, `{"format":2,"store_bytes":5}`, historyFile, "hello"),
		"no SQLite":       archive(aboutFile, `{"format":1,"store_bytes":5}`, historyFile, "hello"),
		"another name":    archive(aboutFile, `{"format":1,"store_bytes":5}`, "../history.db", "hello"),
		"more than that":  archive(aboutFile, `{"format":1,"store_bytes":5}`, historyFile, "hello", "x", "y"),
	} {
		file := filepath.Join(t.TempDir(), "broken.tar.gz")
		if err := os.WriteFile(file, text, 0o600); err != nil {
			t.Fatal(err)
		}
		if out, err := p.run("restore", file, "--state", state); err == nil || !strings.Contains(out, "nothing was changed") {
			t.Errorf("%s: %v\n%s", name, err, out)
		}
	}
	after, err := os.ReadFile(filepath.Join(state, historyFile))
	if err != nil || !bytes.Equal(before, after) {
		t.Errorf("a backup that was refused changed the store (%v)", err)
	}
}

// TestErasingForgetsEverythingAndTheWatchGoesOn erases a running, paired, announcing van.
func TestErasingForgetsEverythingAndTheWatchGoesOn(t *testing.T) {
	t.Parallel()
	addr, _ := mosquitto(t)
	conf, page, state, b := layVan(t)
	text, err := os.ReadFile(conf)
	if err != nil {
		t.Fatal(err)
	}
	text = bytes.Replace(text, []byte("[page]\n"), []byte("[page]\npair = true\nglance = true\n"), 1)
	text = append(text, "[mqtt]\nbroker = \"tcp://"+addr+"\"\ndevice = \"van-old\"\n"...)
	if err := os.WriteFile(conf, text, 0o644); err != nil {
		t.Fatal(err)
	}
	other := mqtt.NewClient(mqtt.NewClientOptions().AddBroker("tcp://" + addr).SetClientID("before").SetConnectTimeout(patience))
	if tok := other.Connect(); !tok.WaitTimeout(patience) || tok.Error() != nil {
		t.Fatal(tok.Error())
	}
	defer other.Disconnect(0)
	if tok := other.Publish("homie/5/van-old/gone/for-good", 1, true, "1"); !tok.WaitTimeout(patience) || tok.Error() != nil {
		t.Fatal(tok.Error())
	}
	p := startProgram(t, conf, page, b)
	defer func() { p.kill() }()
	p.says("broker connected")
	ph := &phone{t: t, page: page}
	out, err := p.run("pair", "--role", "owner", "--name", "Larch", "--config", conf)
	if err != nil {
		t.Fatalf("pair: %v\n%s", err, out)
	}
	_, token, _ := strings.Cut(strings.Fields(out)[0], "#")
	if a, _ := ph.ask("POST", "/pair", url.Values{"code": {token}}); a.StatusCode != 303 {
		t.Fatalf("pairing: %s", a.Status)
	}
	old := *ph.cookie
	if a, text := ph.ask("POST", "/data", url.Values{"do": {"erase"}}); a.StatusCode != 422 || !strings.Contains(text, "Nothing was erased") {
		t.Fatalf("erasing without the box ticked: %s", a.Status)
	}
	out, err = p.run("erase", "--yes", "--config", conf)
	if err != nil || !strings.Contains(out, "The broker keeps nothing of this van any more") || !strings.Contains(out, "runs again and knows nothing") {
		t.Fatalf("erase: %v\n%s\n%s", err, out, p.log.String())
	}
	p.until("the van counts its first start", func(s shown) bool { return s.Totals.Boots == 1 && s.Stamp.Tick > 0 })
	if err := p.cmd.Process.Signal(syscall.Signal(0)); err != nil { // the same process, as its service manager sees it
		t.Errorf("the process ended: %v", err)
	}
	ph.cookie = &old
	if a, _ := ph.ask("GET", "/phones", nil); a.StatusCode != 303 || a.Header.Get("Location") != "/pair" {
		t.Errorf("the old session still opens the phones: %s", a.Status)
	}
	for _, name := range []string{phonesFile, eraseMark} {
		if _, err := os.Stat(filepath.Join(state, name)); err == nil {
			t.Errorf("%s is still there", name)
		}
	}
	ears := watchBroker(t, addr, "after")
	ready := func() bool { return slices.Contains(ears.heard("homie/5/van-old/$state"), "ready") }
	for deadline := time.Now().Add(patience); time.Now().Before(deadline) && !ready(); time.Sleep(20 * time.Millisecond) {
	}
	if !ready() || len(ears.heard("homie/5/van-old/gone/for-good")) > 0 {
		t.Errorf("the broker does not know the van anew, or still the old one\n%s", p.log.String())
	}
}

// TestAPowerCutDoesNotEndErasingHalfway starts a van whose erasing was cut off.
func TestAPowerCutDoesNotEndErasingHalfway(t *testing.T) {
	dir := t.TempDir()
	for _, name := range []string{historyFile, historyFile + "-wal", historyFile + ".reserve", historyFile + ".old", historyFile + ".damaged", phonesFile, phonesFile + ".new",
		backupPrefix + "1", eraseMark, "notes of the owner.txt", "history.dbx"} {
		if err := os.WriteFile(filepath.Join(dir, name), []byte("x"), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	if err := finishErasing(dir); err != nil {
		t.Fatal(err)
	}
	left, err := os.ReadDir(dir)
	if err != nil || len(left) != 2 || left[0].Name() != "history.dbx" || left[1].Name() != "notes of the owner.txt" {
		t.Errorf("left are %v, want only what is not ours", left)
	}
	if err := os.WriteFile(filepath.Join(dir, historyFile), []byte("x"), 0o600); err != nil {
		t.Fatal(err)
	}
	if err := finishErasing(dir); err != nil {
		t.Fatal(err)
	}
	if _, err := os.Stat(filepath.Join(dir, historyFile)); err != nil {
		t.Error("without a decision to erase the store is gone")
	}
}

func TestErasingAsksOnceAndTakesOnlyTheWord(t *testing.T) {
	for answer, want := range map[string]bool{"erase\n": true, " erase \n": true, "erase": true, "y\n": false, "yes\n": false, "\n": false, "": false, "ERASE\n": false} {
		if got := confirmed(t.Context(), world{in: strings.NewReader(answer), out: io.Discard}); got != want {
			t.Errorf("%q: %v", answer, got)
		}
	}
}
