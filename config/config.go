// Package config reads the owner's file: strict TOML, quantities with units, all problems
// at once, each with file, line, key and what to do. What comes out are the option structs
// of the packages themselves; nothing but cmd sees a [Config]. The program never writes its
// configuration.
package config

import (
	"bytes"
	"crypto/sha256"
	_ "embed"
	"encoding/hex"
	"errors"
	"fmt"
	"io/fs"
	"os"

	"frostline/daemon/core"
	"frostline/sensors/hw"
)

// Reference is the complete, commented configuration file. It is valid as it stands, and a
// test holds it to naming every key.
//
//go:embed reference.toml
var Reference string

// Config is a configuration that has been checked, in the words of those who use it.
type Config struct {
	Hash     string // of the file's bytes; names the configuration in a recording
	VanName  string
	Core     core.Params
	Board    []hw.Wire // how each channel is read; empty where only recordings are replayed
	Page     Page
	MQTT     *MQTT    // nil means none
	Webhook  *Webhook // nil means none
	Mail     *Mail    // nil means none
	StateDir string
	Price    Price    // of fuel
	Sounder  *Sounder // nil means nothing here can wake anybody
}

// Price is what a kilogram of fuel costs; the zero Price is not known.
type Price struct {
	PerKg    float64
	Currency string
}

// Page is where the page listens, who may ask it, and what it offers there. Secrets are named
// by file.
type Page struct {
	Listen   string   // host:port; "" means no page
	Hosts    []string // names the van is reached by, beside its addresses
	Metrics  bool
	Commands bool // whether buttons work
	Pair     bool // phones must be paired; else everybody who reaches the page is its owner
	Glance   bool // who is not paired may look

	MetricsTokenFile  string // what a scraper shows instead of being paired
	CertFile, KeyFile string // PEM; "" is plain HTTP
}

// MQTT is the broker and how to speak to it. Secrets are named by file, never held.
type MQTT struct {
	Broker, Device, Domain, Events string
	User, PasswordFile             string
	CAFile, CertFile, KeyFile      string
}

// Webhook is an address that is told of alarms, and the file of the secrets its messages are
// signed with. Daily is the time of its daily word, "08:00"; "" is none.
type Webhook struct{ URL, SecretFile, CAFile, Daily string }

// Mail is the server that takes mails about alarms, and who gets them. Daily is as of Webhook.
type Mail struct {
	Server, From       string
	To                 []string
	User, PasswordFile string
	CAFile, Daily      string
}

// Sounder is what can wake somebody: GPIO lines by name.
type Sounder struct {
	Line, LED string
	Invert    bool
	Tested    bool // a person heard it
}

// Load reads and checks a file. The error is a [*Problems] unless the file cannot be read.
func Load(path string) (*Config, error) {
	text, err := os.ReadFile(path)
	switch {
	case errors.Is(err, fs.ErrNotExist):
		return nil, fmt.Errorf("configuration: %w; begin one with: frostline check --reference > %s", err, path)
	case errors.Is(err, fs.ErrPermission):
		return nil, fmt.Errorf("configuration: %w; run this as root or as the daemon's user", err)
	case err != nil:
		return nil, fmt.Errorf("configuration: %w", err)
	}
	return Parse(path, text)
}

// Parse checks the text of a file; name is used in what it says of problems.
func Parse(name string, text []byte) (*Config, error) {
	p := &Problems{File: name}
	var raw rawConfig
	lines := bytes.TrimPrefix(text, []byte("\xef\xbb\xbf")) // some editors begin a file with that mark
	decode(lines, &raw, p)
	c := compiler{p: p, at: positions(lines)}
	cfg := c.config(&raw)
	if err := p.err(); err != nil {
		return nil, err
	}
	sum := sha256.Sum256(text)
	cfg.Hash = hex.EncodeToString(sum[:8])
	return cfg, nil
}
