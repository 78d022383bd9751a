package main

import (
	"context"
	"errors"
	"flag"
	"fmt"
	"io/fs"
	"net/http"
	"os"
	"path/filepath"
	"strconv"
	"syscall"

	"frostline/daemon/history"
)

const restoreExamples = `  systemctl stop frostline && frostline restore van.tar.gz && systemctl start frostline
  frostline restore --state /var/lib/frostline van.tar.gz
`

func restoreCmd(ctx context.Context, w world, fs *flag.FlagSet, args []string) error {
	configured := stateFlags(fs)
	file, err := oneWord(fs, args, "name one backup to restore")
	if err != nil {
		return err
	}
	cfg, err := configured()
	if err != nil {
		return err
	}
	if err := mustBeStopped(ctx, cfg.StateDir); err != nil {
		return err
	}
	if err := finishErasing(cfg.StateDir); err != nil { // else the next start would erase what is restored
		return err
	}
	a, old, err := restore(ctx, cfg.StateDir, file)
	switch {
	case err != nil && old != "":
		return fmt.Errorf("stopped halfway: %w; the store from before is %s: rename it, and %s-wal if there is one, back to %s", err, old, old, historyFile)
	case err != nil:
		return fmt.Errorf("nothing was changed: %w", err)
	}
	fmt.Fprintf(w.out, "Restored: %v.\n", a)
	if old != "" {
		fmt.Fprintf(w.out, "What was here before is now %s; to go back while frostline is stopped, delete "+historyFile+"-wal and rename it to "+historyFile+", and its -wal, if there is one, likewise.\n", old)
	}
	_, err = fmt.Fprintln(w.out, "Alarms, cylinder, calibration and beliefs are those of that day; paired phones stay as they are. Start frostline now.")
	return err
}

// mustBeStopped refuses a state directory that a daemon works in.
func mustBeStopped(ctx context.Context, dir string) error {
	const stop = "stop it first: systemctl stop frostline"
	switch err := newControl(dir).ask(ctx, http.MethodGet, "/api/phones", nil, nil); {
	case err == nil:
		return fmt.Errorf("frostline is running in %s: %s", dir, stop)
	case !errors.Is(err, errNoDaemon):
		return err
	}
	used, err := history.InUse(filepath.Join(dir, historyFile)) // a daemon without its socket
	if err == nil && used {
		err = fmt.Errorf("something has the store in %s open: %s", dir, stop)
	}
	return err
}

// restore puts the store of a backup into dir, and the one that was there aside, as old, if
// there was one. The new one is whole on the disk before the old one moves.
func restore(ctx context.Context, dir, backup string) (a about, old string, err error) {
	if err := os.MkdirAll(dir, 0o750); err != nil {
		return a, "", err
	}
	file := filepath.Join(dir, historyFile)
	next := file + ".restoring"
	if err := os.Remove(next); err != nil && !errors.Is(err, fs.ErrNotExist) { // of one that was cut off
		return a, "", err
	}
	// Root writes here where another user may have laid a link: what is there is never opened.
	out, err := os.OpenFile(next, os.O_CREATE|os.O_EXCL|os.O_WRONLY, 0o600)
	if err != nil {
		return a, "", err
	}
	defer os.Remove(next)
	a, err = readBackup(ctx, backup, out, freeB(dir))
	if err = errors.Join(err, sameOwner(out, dir), out.Sync(), out.Close()); err != nil {
		return a, "", err
	}
	if _, err := history.Inspect(ctx, next); err != nil {
		return a, "", err
	}
	aside, err := freeName(file + ".old")
	if err != nil {
		return a, "", err
	}
	for _, step := range asideSteps(file, aside) {
		err := step()
		if _, none := os.Lstat(aside); none == nil {
			old = aside
		}
		if err != nil {
			if old == "" {
				_ = os.Remove(aside + "-wal") // its other name is still there
			}
			return a, old, err
		}
	}
	if err := os.Rename(next, file); err != nil {
		return a, old, err
	}
	return a, old, syncDir(dir)
}

// asideSteps put a store aside, or what there is of one. What its log still holds (the look
// whether it is in use folds a sound one in) goes with it, and beside another store it would
// be taken for that one's: until the store has moved, the log stands at both names, so that
// a power cut after any step leaves the store with its log.
func asideSteps(file, aside string) []func() error {
	step := func(do func() error) func() error {
		return func() error {
			if err := do(); err != nil && !errors.Is(err, fs.ErrNotExist) {
				return err
			}
			return syncDir(filepath.Dir(file))
		}
	}
	return []func() error{
		step(func() error { return os.Link(file+"-wal", aside+"-wal") }),
		step(func() error { return os.Rename(file, aside) }),
		step(func() error { return os.Remove(file + "-wal") }),
	}
}

// freeName is name, or name with the first number behind it under which neither a store nor
// a log lies: what an earlier restoring put aside may be the only one that is right.
func freeName(name string) (string, error) {
	for i := 1; i < 100; i++ {
		free := name
		if i > 1 {
			free += strconv.Itoa(i)
		}
		_, err := os.Lstat(free)
		_, errLog := os.Lstat(free + "-wal")
		if errors.Is(err, fs.ErrNotExist) && errors.Is(errLog, fs.ErrNotExist) {
			return free, nil
		}
	}
	return "", fmt.Errorf("%s to %s99 are all there: delete those you need no more", name, name)
}

// sameOwner gives a file that root wrote to whoever the directory belongs to.
func sameOwner(f *os.File, dir string) error {
	st, err := os.Stat(dir)
	if err != nil || os.Geteuid() != 0 {
		return err
	}
	if sys, ok := st.Sys().(*syscall.Stat_t); ok {
		return f.Chown(int(sys.Uid), int(sys.Gid))
	}
	return nil
}

// syncDir makes new names last.
func syncDir(dir string) error {
	d, err := os.Open(dir)
	if err != nil {
		return err
	}
	return errors.Join(d.Sync(), d.Close())
}
