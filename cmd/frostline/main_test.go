package main

import (
	"os"
	"testing"

	"github.com/rogpeppe/go-internal/testscript"
)

// TestMain lets scripts call the binary under test as frostline, and tests that kill it run
// it as a process of its own.
func TestMain(m *testing.M) {
	if os.Getenv("FROSTLINE_AS_COMMAND") != "" {
		os.Exit(start(os.Args[1:]))
	}
	if os.Getenv(boardEnv) != "" && os.Getpid() == 1 {
		asFirstProcess(m)
	}
	testscript.Main(m, map[string]func(){
		"frostline": func() { os.Exit(start(os.Args[1:])) },
	})
}

// TestScripts runs one script per promise of the command line, a happy and a wrong way for
// each command.
func TestScripts(t *testing.T) {
	testscript.Run(t, testscript.Params{
		Dir:                 "testdata",
		RequireExplicitExec: true,
		RequireUniqueNames:  true,
		UpdateScripts:       os.Getenv("FROSTLINE_UPDATE_SCRIPTS") != "",
	})
}
