package main

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"net"
	"net/http"
	"os"
	"path/filepath"
	"strings"
	"syscall"
	"time"
)

// controlFile is the socket over which the other commands of this program speak to the
// daemon. Only its owner and root may open it, and that is their authority.
const controlFile = "control.sock"

// listenControl opens the control socket in the state directory. One that a kill left
// behind answers nobody and is replaced; one that answers is another daemon's.
func listenControl(dir string) (net.Listener, error) {
	path := filepath.Join(dir, controlFile)
	if len(path) > socketPathMax {
		return nil, tooDeep(path)
	}
	if c, err := net.DialTimeout("unix", path, time.Second); err == nil {
		c.Close()
		return nil, fmt.Errorf("%s answers: is frostline running already?", path)
	}
	if err := os.MkdirAll(dir, 0o750); err != nil {
		return nil, err
	}
	if err := os.Remove(path); err != nil && !errors.Is(err, fs.ErrNotExist) {
		return nil, err
	}
	defer syscall.Umask(syscall.Umask(0o077)) // never open to others, not even for a moment
	return net.Listen("unix", path)
}

// socketPathMax is how long the path of a socket may be, in bytes. (unix(7))
const socketPathMax = 107

func tooDeep(path string) error {
	return fmt.Errorf("%s is longer than a socket's may be, %d bytes: choose another [store] dir", path, socketPathMax)
}

// firstWithin is how long a daemon is waited for that may be there already.
const firstWithin = 2 * time.Second

// onlyOne refuses a state directory in which a daemon works: two would convert the same
// chips, and each would read what the other began. One that hangs holds nobody up, nor does
// what another user's left behind; one that this user may not ask counts as working.
func onlyOne(ctx context.Context, dir string) error {
	ctx, cancel := context.WithTimeout(ctx, firstWithin)
	defer cancel()
	c := newControl(dir)
	err := c.ask(ctx, http.MethodGet, "/api/phones", nil, nil)
	dial, is := errors.AsType[*net.OpError](err)
	unmet := is && dial.Op == "dial" // a directory that is none, on a card that is gone, has no daemon either
	if errors.Is(err, fs.ErrPermission) {
		unmet = !bound(c.path)
	}
	switch {
	case err == nil:
		return fmt.Errorf("frostline is running already in %s: end it first, or name another [store] dir", dir)
	case errors.Is(err, errNoDaemon), ctx.Err() != nil, unmet:
		return nil
	}
	return fmt.Errorf("frostline seems to be running already in %s: end it first, or name another [store] dir: %w", dir, err)
}

// bound reports whether a process has a socket of this path, which anybody may know; if that
// cannot be told, one has. A kill or a power cut leaves the file and nobody behind it. (unix(7))
func bound(path string) bool {
	file, err := os.Stat(path)
	if err != nil {
		return true
	}
	table, err := os.ReadFile("/proc/self/net/unix")
	if err != nil {
		return true
	}
	for line := range strings.Lines(string(table)) {
		i := strings.IndexByte(line, '/')
		if i < 0 {
			i = strings.LastIndexByte(line, ' ') + 1
		}
		other := strings.TrimSuffix(line[i:], "\n")
		switch {
		case filepath.Base(other) != controlFile:
		case !filepath.IsAbs(other): // to whatever directory its process began in
			return true
		default:
			if o, err := os.Stat(other); err != nil && !errors.Is(err, fs.ErrNotExist) || err == nil && os.SameFile(o, file) {
				return true
			}
		}
	}
	return false
}

// control is the running daemon, as the other commands see it.
type control struct {
	path   string
	client *http.Client
}

func newControl(dir string) *control {
	path := filepath.Join(dir, controlFile)
	return &control{path, &http.Client{Timeout: 15 * time.Second, Transport: &http.Transport{
		DialContext: func(ctx context.Context, _, _ string) (net.Conn, error) {
			return new(net.Dialer).DialContext(ctx, "unix", path)
		}}}}
}

// errNoDaemon means that nobody listens at the control socket.
var errNoDaemon = errors.New("frostline is not running here")

// ask sends in as JSON, if it is not nil, and reads the answer into out, if it is not nil.
// A refusal is the daemon's own words.
func (c *control) ask(ctx context.Context, method, path string, in, out any) error {
	var body io.Reader
	if in != nil {
		text, err := json.Marshal(in)
		if err != nil {
			return err
		}
		body = bytes.NewReader(text)
	}
	r, err := http.NewRequestWithContext(ctx, method, "http://board"+path, body)
	if err != nil {
		return err
	}
	if in != nil {
		r.Header.Set("Content-Type", "application/json")
	}
	answer, err := c.send(c.client, r)
	if err != nil {
		return err
	}
	defer answer.Body.Close()
	text, err := io.ReadAll(io.LimitReader(answer.Body, 16<<20))
	if err != nil {
		return err
	}
	if answer.StatusCode != http.StatusOK { // 202 is done and not kept, which must be said too
		var said struct{ Error string }
		if json.Unmarshal(text, &said) == nil && said.Error != "" {
			return errors.New(said.Error)
		}
		return fmt.Errorf("%s %s: %s", method, path, answer.Status)
	}
	if out == nil {
		return nil
	}
	return json.Unmarshal(text, out)
}

// send says in words why nobody answered.
func (c *control) send(client *http.Client, r *http.Request) (*http.Response, error) {
	if len(c.path) > socketPathMax {
		return nil, fmt.Errorf("%w: %w", errNoDaemon, tooDeep(c.path))
	}
	answer, err := client.Do(r)
	switch {
	case errors.Is(err, fs.ErrNotExist), errors.Is(err, syscall.ECONNREFUSED):
		return nil, fmt.Errorf("%w: nothing answers at %s", errNoDaemon, c.path)
	case errors.Is(err, fs.ErrPermission):
		return nil, fmt.Errorf("%s: not yours to open; run this as root or as the daemon's user: %w", c.path, fs.ErrPermission)
	}
	return answer, err
}
