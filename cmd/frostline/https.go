package main

import (
	"crypto/tls"
	"errors"
	"fmt"
	"log/slog"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"time"

	"frostline/config"
)

// certificate is the page's, read again when its files have changed, so that a renewal
// needs no restart. One that cannot be read refuses new connections and nothing else:
// going on without encryption would be a promise broken in silence.
type certificate struct {
	certFile, keyFile string
	log               *slog.Logger

	mu     sync.Mutex
	looked time.Time
	seen   string // size and time of both files
	pair   *tls.Certificate
	err    error
}

// certEvery bounds how often the files are looked at.
const certEvery = time.Second

func newCertificate(certFile, keyFile string, log *slog.Logger) *certificate {
	c := &certificate{certFile: credential(certFile), keyFile: credential(keyFile), log: log}
	_, _ = c.get(nil) // says in the log at once what is wrong with it
	return c
}

// config is TLS 1.2 or newer; the rest is the library's choice.
func (c *certificate) config() *tls.Config {
	return &tls.Config{MinVersion: tls.VersionTLS12, GetCertificate: c.get}
}

// get returns the newest certificate that could be read. A renewal writes two files, one
// after the other; between them, and while they are wrong, the old one goes on.
func (c *certificate) get(*tls.ClientHelloInfo) (*tls.Certificate, error) {
	c.mu.Lock()
	defer c.mu.Unlock()
	if time.Since(c.looked) >= certEvery {
		c.looked = time.Now()
		if seen := fileMarks(c.certFile, c.keyFile); seen != c.seen || c.pair == nil {
			c.load(seen)
		}
	}
	if c.pair == nil {
		return nil, c.err
	}
	return c.pair, nil
}

func (c *certificate) load(seen string) {
	first := c.seen == ""
	changed := seen != c.seen
	pair, err := tls.LoadX509KeyPair(c.certFile, c.keyFile)
	c.seen = seen
	switch {
	case err != nil:
		c.err = fmt.Errorf("no certificate: %w", err)
		if changed { // not at each connection
			c.log.Error("the page's certificate cannot be read; an older one goes on, or no phone can connect", "output", "web", "err", err)
		}
		return
	case !first:
		c.log.Info("the page has a new certificate", "output", "web", "until", pair.Leaf.NotAfter.UTC().Format(time.DateOnly))
	}
	c.pair, c.err = &pair, nil
}

// fileMarks tells a file from one that was written anew. A link that now points elsewhere
// leads to another file, with another time.
func fileMarks(names ...string) string {
	var b strings.Builder
	b.WriteByte('.') // not "" even without any file
	for _, name := range names {
		if st, err := os.Stat(name); err == nil {
			fmt.Fprintf(&b, "%d %d;", st.Size(), st.ModTime().UnixNano())
		}
	}
	return b.String()
}

// credential is the path of a secret: a bare name is one of systemd's, where it laid some.
func credential(path string) string {
	if dir := os.Getenv("CREDENTIALS_DIRECTORY"); dir != "" && path != "" && filepath.Base(path) == path {
		return filepath.Join(dir, path)
	}
	return path
}

// checkPage finds what would keep phones and scrapers away.
func checkPage(p config.Page, now time.Time) (out []finding) {
	if p.CertFile != "" {
		f := finding{What: "certificate", Where: p.CertFile, DoThis: "until it is mended no phone can connect; the gas watch goes on"}
		pair, err := tls.LoadX509KeyPair(credential(p.CertFile), credential(p.KeyFile))
		switch {
		case err != nil:
			f.Wrong = err.Error()
		case now.After(pair.Leaf.NotAfter):
			f.Wrong = "ran out on " + pair.Leaf.NotAfter.UTC().Format(time.DateOnly)
		case now.Before(pair.Leaf.NotBefore):
			f.Wrong = "begins on " + pair.Leaf.NotBefore.UTC().Format(time.DateOnly) + ", or this board's clock is wrong"
		default:
			f.OK, f.DoThis = true, ""
		}
		out = append(out, f)
	}
	if p.MetricsTokenFile != "" {
		f := finding{What: "metrics token", Where: p.MetricsTokenFile, OK: true}
		if _, err := readToken(p.MetricsTokenFile); err != nil {
			f.OK, f.Wrong, f.DoThis = false, err.Error(), "until then only paired phones can read the metrics"
		}
		out = append(out, f)
	}
	return out
}

// readToken is the first line of a secret's file.
func readToken(path string) (string, error) {
	text, err := os.ReadFile(credential(path))
	if err != nil {
		return "", err
	}
	line, _, _ := strings.Cut(string(text), "\n")
	if line = strings.TrimSpace(line); len(line) < 16 {
		return "", errors.New("a token has at least 16 characters; make one with: openssl rand -base64 24")
	}
	return line, nil
}
