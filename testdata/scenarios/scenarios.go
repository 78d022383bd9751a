// Package scenarios carries the scenario files of the simulated van, so that the demo
// and the tests play the same ones. Each file's first line says what happens and what a
// monitor should notice.
package scenarios

import (
	"bytes"
	"embed"
	"fmt"
	"io"
	"strings"
)

//go:embed *.toml
var files embed.FS

// Open is the text of a scenario. An unknown name is an error that lists the known ones.
func Open(name string) (io.Reader, error) {
	text, err := files.ReadFile(name + ".toml")
	if err != nil {
		return nil, fmt.Errorf("scenario %q: not known; there are %s", name, strings.Join(Names(), ", "))
	}
	return bytes.NewReader(text), nil
}

// Names lists the scenarios in alphabetical order.
func Names() []string {
	entries, err := files.ReadDir(".")
	if err != nil {
		panic(err) // the files are in the binary
	}
	names := make([]string, 0, len(entries))
	for _, e := range entries {
		names = append(names, strings.TrimSuffix(e.Name(), ".toml"))
	}
	return names
}
