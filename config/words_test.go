package config

import (
	"strings"
	"testing"
)

// TestEachMistakeIsSaidOnceInTheWordsOfItsKey holds what a person reads who made one mistake.
func TestEachMistakeIsSaidOnceInTheWordsOfItsKey(t *testing.T) {
	for file, want := range map[string]string{
		"[store]\ndir = \"\"":           `van.toml:2: store.dir: name a directory, like "/var/lib/frostline"; without one nothing outlives a restart`,
		"[page]\nlisten = \"0:99999\"":  `van.toml:2: page.listen: "0:99999" is not host:port; write it like "127.0.0.1:8460"`,
		"scale = 5":                     `van.toml:1: scale: is a table: write [scale], and its keys on the lines below`,
		"sensor = \"gas\"":              `van.toml:1: sensor: is a table: write [[sensor]], and its keys on the lines below`,
		"[alarms]\nquiet_from = 22":     `van.toml:2: alarms.quiet_from: "22" is not a time of day; write it like "18:00"`,
		"[page]\nhosts = \"van.local\"": `van.toml:2: page.hosts: want a list, like ["van.local"]`,
		"[[sensor]]\nchannel = 5":       `van.toml:2: sensor.0.channel: 5 is not text; put it in quotes`,
		"[[sensor]]\nchannel = \"load\"\n[[sensor]]\nchannel = \"load_counts\"": `van.toml:2: sensor.0.channel: "load" is not one of load_counts, gas_v,`,
	} {
		_, err := Parse("van.toml", []byte(file))
		if err == nil || !strings.HasPrefix(err.Error(), want) || strings.Contains(err.Error(), "\n") {
			t.Errorf("%q:\n%v\nwant one line:\n%s", file, err, want)
		}
	}
	_, err := Parse("van.toml", []byte("[mail]\nserver = \"smtps://mail.example.org:465\"\nfrom = \"van@example.org\"\nto = \"me@example.net\""))
	if err == nil || err.Error() != `van.toml:4: mail.to: want a list, like ["me@example.net"]` {
		t.Errorf("one address without its brackets: %v", err)
	}
	// What the program says of itself is wired by itself, and nobody is told to.
	_, err = Parse("van.toml", []byte("[[sensor]]\nperiod = \"1 s\""))
	if err == nil || !strings.Contains(err.Error(), "one of load_counts, gas_v") || strings.Contains(err.Error(), "store_age_s") {
		t.Errorf("a sensor without a channel: %v", err)
	}
}

// TestAByteOrderMarkIsNoMistake: editors of some systems begin a file with one.
func TestAByteOrderMarkIsNoMistake(t *testing.T) {
	cfg, err := Parse("van.toml", []byte("\xef\xbb\xbf[van]\r\nname = \"Larch\"\r\n"))
	if err != nil || cfg.VanName != "Larch" {
		t.Errorf("%+v, %v", cfg, err)
	}
	_, err = Parse("van.toml", []byte("\xef\xbb\xbf[van]\r\nnmae = \"Larch\"\r\n"))
	if err == nil || !strings.Contains(err.Error(), "van.toml:2: van.nmae") {
		t.Error(err)
	}
}
