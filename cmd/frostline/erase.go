package main

import (
	"context"
	"errors"
	"flag"
	"fmt"
	"io"
	"io/fs"
	"net/http"
	"os"
	"path/filepath"
	"strings"
	"syscall"
	"time"

	"frostline/alerts/announce"
	"frostline/config"
)

const eraseExamples = `  frostline backup before-the-sale.tar.gz && frostline erase
  frostline erase --yes
`

// eraseMark lies in the state directory from the moment that erasing was decided until it
// was done, so that a power cut does not end it halfway.
const eraseMark = "erase.pending"

// errErased ends serve when all is to be forgotten. Whoever called it erases, and the program
// begins again.
var errErased = errors.New("to be erased")

// eraseWhat is said before anything is asked.
const eraseWhat = `This erases for good, in %s:
  the ledger of nights, charts and the log of alarms,
  what was learned, calibrated and entered here (cylinders, tares, what was acknowledged),
  every pairing of a phone,
and on the MQTT broker, if one is configured, what it keeps of this van.
The configuration file stays, and so does what other systems have stored. A memory card may
hold traces of deleted files. The gas watch goes on.
`

func eraseCmd(ctx context.Context, w world, fs *flag.FlagSet, args []string) error {
	configured := stateFlags(fs)
	yes := fs.Bool("yes", false, "do not ask")
	words, err := parse(fs, args)
	if err != nil {
		return err
	}
	if err := noWords(words); err != nil {
		return err
	}
	cfg, err := configured()
	if err != nil {
		return err
	}
	fmt.Fprintf(w.out, eraseWhat, cfg.StateDir)
	if !*yes && !confirmed(ctx, w) {
		return errors.New("nothing was erased")
	}
	c := newControl(cfg.StateDir)
	var said struct{ Erased string }
	err = c.ask(ctx, http.MethodPost, "/api/erase", map[string]bool{"sure": true}, &said)
	switch {
	case err == nil:
		fmt.Fprintln(w.out, said.Erased)
		return c.beginsAnew(ctx, w.out, cfg.StateDir)
	case !errors.Is(err, errNoDaemon):
		return err
	}
	if err := mustBeStopped(ctx, cfg.StateDir); err != nil {
		return err
	}
	_ = markErase(cfg.StateDir) // without it a power cut leaves half: no reason to keep all
	broker := eraseBroker(ctx, cfg.MQTT, w)
	if err := eraseState(cfg.StateDir); err != nil {
		return err
	}
	_, err = fmt.Fprintf(w.out, "Erased. %s\n", broker)
	return err
}

// confirmed asks once and takes nothing but the word.
func confirmed(ctx context.Context, w world) bool {
	fmt.Fprint(w.out, `Type "erase" to go on: `)
	select {
	case answer := <-readLines(w.in):
		return answer == "erase"
	case <-ctx.Done():
		fmt.Fprintln(w.out)
		return false
	}
}

// anewWithin is how long a daemon may take to come back.
const anewWithin = 30 * time.Second

// beginsAnew waits until the daemon has erased and runs again.
func (c *control) beginsAnew(ctx context.Context, out io.Writer, dir string) error {
	ctx, cancel := context.WithTimeout(ctx, anewWithin)
	defer cancel()
	again := time.NewTicker(100 * time.Millisecond)
	defer again.Stop()
	for {
		if _, err := os.Stat(filepath.Join(dir, eraseMark)); errors.Is(err, fs.ErrNotExist) {
			if c.ask(ctx, http.MethodGet, "/api/phones", nil, nil) == nil {
				_, err := fmt.Fprintln(out, "Frostline runs again and knows nothing. Its log names what could not be deleted, if anything.")
				return err
			}
		}
		select {
		case <-again.C:
		case <-ctx.Done():
			if _, err := os.Stat(filepath.Join(dir, eraseMark)); err == nil {
				return fmt.Errorf("it is not erased after %v: look at frostline's log; each start tries again", anewWithin)
			}
			return fmt.Errorf("it is erased, but frostline did not come back within %v: look at its log", anewWithin)
		}
	}
}

// eraseBroker clears the broker and says what came of it. A broker that is away must not
// keep the rest.
func eraseBroker(ctx context.Context, m *config.MQTT, w world) string {
	if m == nil {
		return "No MQTT broker is configured."
	}
	device := m.Device
	if device == "" {
		device = deviceID()
	}
	client, err := announce.NewMQTT(announce.Options{Broker: m.Broker, DeviceID: device, Domain: m.Domain,
		User: m.User, PasswordFile: m.PasswordFile, CAFile: m.CAFile, CertFile: m.CertFile, KeyFile: m.KeyFile, Log: w.log})
	if err != nil {
		return stillKept(err, m, device)
	}
	return clearBroker(ctx, client, m, device)
}

func clearBroker(ctx context.Context, client *announce.MQTT, m *config.MQTT, device string) string {
	n, err := client.Erase(ctx)
	if err != nil {
		return stillKept(err, m, device)
	}
	return "The broker keeps nothing of this van any more (" + counted(int64(n), "topic") + " deleted)."
}

func stillKept(err error, m *config.MQTT, device string) string {
	return fmt.Sprintf("The broker could not be cleared (%v). It still keeps what stands below %s/5/%s/: run frostline erase again when it answers, or delete its retained messages there.",
		err, m.Domain, device)
}

// eraseState deletes what the program keeps in its state directory, by name: the directory
// may be a wrong one. Of a link it deletes the link and names what that points to. Then the
// mark goes, whatever was refused: it is there for a power cut, and a later start would
// erase what came to lie here since. A directory that takes no deleting keeps its mark by that.
func eraseState(dir string) error {
	entries, err := os.ReadDir(dir)
	if errors.Is(err, fs.ErrNotExist) {
		return nil
	}
	if err != nil {
		return err
	}
	err = notBehind(links(dir, entries))
	for _, e := range entries {
		if kept(e.Name()) && (e.Type().IsRegular() || e.Type() == fs.ModeSymlink) {
			err = errors.Join(err, os.Remove(filepath.Join(dir, e.Name()))) // which follows no link
		}
	}
	err = errors.Join(err, syncDir(dir))
	if e := os.Remove(filepath.Join(dir, eraseMark)); e != nil && !errors.Is(e, fs.ErrNotExist) {
		err = errors.Join(err, e)
	}
	if err = errors.Join(err, syncDir(dir)); err != nil {
		return fmt.Errorf("not all is erased: %w", err)
	}
	return nil
}

// links returns where those links of a state directory lead that stand for files the program
// keeps, unless it keeps what they lead to as well.
func links(dir string, entries []fs.DirEntry) (targets []string) {
	for _, e := range entries {
		if !kept(e.Name()) || e.Type() != fs.ModeSymlink {
			continue
		}
		to, err := os.Readlink(filepath.Join(dir, e.Name()))
		if err != nil {
			to = e.Name() + ", of which nobody knows where it leads"
		} else if !filepath.IsAbs(to) {
			to = filepath.Join(dir, to)
		}
		if filepath.Dir(to) != filepath.Clean(dir) || !kept(filepath.Base(to)) {
			targets = append(targets, to)
		}
	}
	return targets
}

// notBehind says what links lead to and what erasing leaves: it may be anything, anywhere,
// and root erases in a directory that another user writes to.
func notBehind(targets []string) error {
	if len(targets) == 0 {
		return nil
	}
	return fmt.Errorf("a link led to %s, which is not erased: delete it, and what begins with its name, yourself", strings.Join(targets, " and "))
}

// markErase notes that all is to be forgotten.
func markErase(dir string) error {
	mark, err := os.OpenFile(filepath.Join(dir, eraseMark), os.O_CREATE|os.O_WRONLY|syscall.O_NOFOLLOW, 0o600)
	if err != nil {
		return err
	}
	return errors.Join(mark.Sync(), mark.Close(), syncDir(dir))
}

// kept reports whether a file of the state directory is one the program keeps: the store
// and the phones, with all that stands beside them.
func kept(name string) bool {
	for _, own := range []string{historyFile, phonesFile} {
		if name == own || strings.HasPrefix(name, own+"-") || strings.HasPrefix(name, own+".") {
			return true
		}
	}
	return strings.HasPrefix(name, backupPrefix)
}

// finishErasing erases if it was decided: now, or before a power cut.
func finishErasing(dir string) error {
	if _, err := os.Stat(filepath.Join(dir, eraseMark)); err != nil {
		return nil
	}
	return eraseState(dir)
}

// erase forgets all that the running program keeps: it clears the broker, then has the loop
// end, and serve returns [errErased]. The gas watch goes on until then and begins anew at once.
func (o *outfit) erase(ctx context.Context) (string, error) {
	if !o.erasing.CompareAndSwap(false, true) {
		return "", errors.New("it is being erased already")
	}
	if err := markErase(o.cfg.StateDir); err != nil {
		o.erasing.Store(false)
		return "", fmt.Errorf("the disk does not take down that all is to be erased: %w", err)
	}
	entries, _ := os.ReadDir(o.cfg.StateDir) // it took the mark; if it cannot be read now, the log says so later
	behind := notBehind(links(o.cfg.StateDir, entries))
	said := "No MQTT broker is configured."
	if o.mqtt != nil {
		// A person waits for the answer, and may go away: what was decided is done all the same.
		ctx, cancel := context.WithTimeout(context.WithoutCancel(ctx), 8*time.Second)
		defer cancel()
		o.endMQTT(ctx)
		said = clearBroker(ctx, o.mqtt, o.cfg.MQTT, o.cfg.MQTT.Device)
	}
	o.log.Warn("erasing", "broker", said)
	if behind != nil {
		said += " Not all: " + behind.Error() + "."
	}
	o.end()
	return "Erased. " + said + " Every phone must be paired again.", nil
}
