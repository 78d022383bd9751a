package main

import (
	"archive/tar"
	"bytes"
	"cmp"
	"compress/gzip"
	"context"
	"encoding/json"
	"errors"
	"flag"
	"fmt"
	"io"
	"net/http"
	"os"
	"path/filepath"
	"strings"
	"time"

	"frostline/daemon/core"
	"frostline/daemon/history"
)

const backupExamples = `  frostline backup van.tar.gz
  frostline backup --config van.toml "backup $(date +%F).tar.gz"
`

// A backup is a gzipped tar of two files: what it is, as JSON, and the store. It holds no
// pairing and no secret, so it may lie about; it tells when people were at home, so it
// should not.
const (
	backupFormat = 1
	aboutFile    = "backup.json" // first in the archive
	backupPrefix = ".backup-"    // of the files it is made of, in the state directory
	aboutMax     = 64 << 10
	paddingMax   = 64 << 10 // behind the end of an archive
)

// about is what a backup says of itself.
type about struct {
	Format  int    `json:"format"`
	Version string `json:"version"` // of the frostline that made it
	Made    string `json:"made"`    // RFC 3339, by the board's clock
	Schema  int    `json:"schema"`  // of the store
	Nights  int64  `json:"nights"`
	Events  int64  `json:"events"`
	Bytes   int64  `json:"store_bytes"`
}

func (a about) String() string {
	return fmt.Sprintf("%s, %s, made %s by frostline %s", counted(a.Nights, "night"), counted(a.Events, "event"), a.Made, a.Version)
}

func counted(n int64, what string) string {
	if n == 1 {
		return "1 " + what
	}
	return fmt.Sprintf("%d %ss", n, what)
}

func backupCmd(ctx context.Context, w world, fs *flag.FlagSet, args []string) error {
	configured := stateFlags(fs)
	file, err := oneWord(fs, args, "name one file to write, like van.tar.gz")
	if err != nil {
		return err
	}
	cfg, err := configured()
	if err != nil {
		return err
	}
	out, err := os.OpenFile(file, os.O_CREATE|os.O_EXCL|os.O_WRONLY, 0o600)
	if err != nil {
		return err
	}
	err = newControl(cfg.StateDir).fetch(ctx, "/data/backup", out)
	if errors.Is(err, errNoDaemon) {
		err = backupStopped(ctx, w, cfg.StateDir, out)
	}
	if err = errors.Join(err, out.Sync(), out.Close()); err == nil {
		var a about
		if a, err = readBackup(ctx, file, io.Discard, -1); err == nil {
			_, err = fmt.Fprintf(w.out, "%s: %v\nNo pairing and no secret is in it. Put it back with: frostline restore %s\n", file, a, file)
			return err
		}
	}
	return errors.Join(err, os.Remove(file))
}

// backupStopped makes the backup of a store that no daemon holds.
func backupStopped(ctx context.Context, w world, dir string, out io.Writer) error {
	file := filepath.Join(dir, historyFile)
	if _, err := os.Stat(file); err != nil {
		return fmt.Errorf("nothing to back up in %s (%w); name the state directory with --state", dir, err)
	}
	store, err := history.Open(file, history.Options{Log: w.log, Reading: true})
	if err != nil {
		return err
	}
	made, err := makeBackup(ctx, store, dir)
	if err == nil {
		_, err = io.Copy(out, made)
		err = errors.Join(err, made.Close())
	}
	return errors.Join(err, store.Close())
}

// makeBackup returns a backup that is whole: the copy was looked at page by page before it
// was packed. Its file has no name any more, so that a power cut leaves nothing behind.
func makeBackup(ctx context.Context, store *history.Store, dir string) (io.ReadCloser, error) {
	leftovers, err := filepath.Glob(filepath.Join(dir, backupPrefix+"*"))
	if err != nil {
		return nil, err
	}
	for _, f := range leftovers { // of one that was cut off; one is made at a time
		_ = os.Remove(f)
	}
	copied := filepath.Join(dir, backupPrefix+historyFile)
	defer os.Remove(copied)
	if err := store.Copy(ctx, copied); err != nil {
		return nil, err
	}
	held, err := history.Inspect(ctx, copied)
	if err != nil {
		return nil, err
	}
	packed, err := os.CreateTemp(dir, backupPrefix+"*")
	if err != nil {
		return nil, err
	}
	version, _ := build()
	a := about{Format: backupFormat, Version: version, Made: core.FormatWall(time.Now().UTC().Truncate(time.Second)),
		Schema: held.Schema, Nights: held.Nights, Events: held.Events}
	err = errors.Join(os.Remove(packed.Name()), pack(packed, a, copied))
	if err == nil {
		_, err = packed.Seek(0, io.SeekStart)
	}
	if err != nil {
		return nil, errors.Join(err, packed.Close())
	}
	return packed, nil
}

// pack writes the archive.
func pack(out io.Writer, a about, store string) error {
	f, err := os.Open(store)
	if err != nil {
		return err
	}
	defer f.Close()
	st, err := f.Stat()
	if err != nil {
		return err
	}
	a.Bytes = st.Size()
	text, err := json.MarshalIndent(a, "", "\t")
	if err != nil {
		return err
	}
	z, err := gzip.NewWriterLevel(out, gzip.BestSpeed) // a small board compresses while it watches
	if err != nil {
		return err
	}
	t := tar.NewWriter(z)
	put := func(name string, size int64, from io.Reader) error {
		if err := t.WriteHeader(&tar.Header{Name: name, Mode: 0o600, Size: size, ModTime: st.ModTime()}); err != nil {
			return err
		}
		_, err := io.Copy(t, from)
		return err
	}
	return errors.Join(put(aboutFile, int64(len(text)), bytes.NewReader(text)), put(historyFile, a.Bytes, f), t.Close(), z.Close())
}

// readBackup reads a backup to its end, which checks every byte of it, and copies the store
// to out, where there is room for so many bytes; a negative number is not known.
func readBackup(ctx context.Context, name string, out io.Writer, roomB int64) (about, error) {
	a, err := unpack(ctx, name, out, roomB)
	if err != nil {
		return a, fmt.Errorf("%s: %w", name, err)
	}
	return a, nil
}

func unpack(ctx context.Context, name string, out io.Writer, roomB int64) (a about, err error) {
	f, err := os.Open(name)
	if err != nil {
		return a, err
	}
	defer f.Close()
	z, err := gzip.NewReader(heeding{ctx, f})
	if err != nil {
		return a, fmt.Errorf("no backup of frostline: %w", err)
	}
	t := tar.NewReader(z)
	head, err := t.Next()
	if err != nil || head.Name != aboutFile {
		return a, errors.Join(errors.New("no backup of frostline: it does not say what it is"), err)
	}
	text, err := io.ReadAll(io.LimitReader(t, aboutMax))
	if err == nil {
		err = json.Unmarshal(text, &a)
	}
	switch {
	case err != nil:
		return a, fmt.Errorf("%s: %w", aboutFile, err)
	case a.Format != backupFormat:
		return a, fmt.Errorf("format %d is not known to this frostline: restore it with version %s", a.Format, a.Version)
	}
	if head, err = t.Next(); err != nil || head.Name != historyFile || head.Size != a.Bytes {
		return a, errors.Join(errors.New("the store in it is missing or cut short"), err)
	}
	if roomB >= 0 && a.Bytes > roomB {
		return a, fmt.Errorf("the store in it has %d MB, and the disk has room for %d", a.Bytes>>20, roomB>>20)
	}
	if _, err = io.Copy(out, t); err != nil {
		return a, err
	}
	if _, err = t.Next(); err != io.EOF { // the end, and with it gzip's check sum
		return a, errors.Join(errors.New("more is in it than a backup holds"), err)
	}
	n, err := io.Copy(io.Discard, io.LimitReader(z, paddingMax+1))
	if n > paddingMax {
		err = errors.New("more is in it than a backup holds")
	}
	return a, err
}

// heeding is a reader that Ctrl-C ends.
type heeding struct {
	ctx context.Context
	r   io.Reader
}

func (h heeding) Read(b []byte) (int, error) {
	if err := h.ctx.Err(); err != nil {
		return 0, err
	}
	return h.r.Read(b)
}

// fetch copies a download of the daemon, however long it takes.
func (c *control) fetch(ctx context.Context, path string, out io.Writer) error {
	r, err := http.NewRequestWithContext(ctx, http.MethodGet, "http://board"+path, nil)
	if err != nil {
		return err
	}
	patient := *c.client
	patient.Timeout = 0
	answer, err := c.send(&patient, r)
	if err != nil {
		return err
	}
	defer answer.Body.Close()
	if answer.StatusCode != http.StatusOK {
		why, err := io.ReadAll(io.LimitReader(answer.Body, 4<<10))
		if said := strings.TrimSpace(string(why)); said != "" {
			return errors.New(said)
		}
		return cmp.Or(err, errors.New(answer.Status))
	}
	_, err = io.Copy(out, answer.Body)
	return err
}
