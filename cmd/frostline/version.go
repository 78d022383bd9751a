package main

import (
	"context"
	"flag"
	"fmt"
	"runtime"
	"runtime/debug"
	"time"
)

const versionExamples = "  frostline version\n"

// build is what the Go toolchain wrote into the binary.
func build() (version, revision string) {
	version, revision = "(devel)", "unknown"
	info, ok := debug.ReadBuildInfo()
	if !ok {
		return version, revision
	}
	if info.Main.Version != "" {
		version = info.Main.Version
	}
	for _, s := range info.Settings {
		switch {
		case s.Key == "vcs.revision":
			revision = s.Value
		case s.Key == "vcs.modified" && s.Value == "true":
			defer func() { revision += "+changes" }()
		}
	}
	return version, revision
}

// made is the time of the commit this program was made from; zero if that is not known.
func made() time.Time {
	info, ok := debug.ReadBuildInfo()
	if !ok {
		return time.Time{}
	}
	for _, s := range info.Settings {
		if s.Key == "vcs.time" {
			t, _ := time.Parse(time.RFC3339, s.Value) // in any other form it is not known either
			return t
		}
	}
	return time.Time{}
}

func versionCmd(_ context.Context, w world, fs *flag.FlagSet, args []string) error {
	words, err := parse(fs, args)
	if err != nil {
		return err
	}
	if err := noWords(words); err != nil {
		return err
	}
	version, revision := build()
	_, err = fmt.Fprintf(w.out, "frostline %s revision %s %s %s/%s\n", version, revision, runtime.Version(), runtime.GOOS, runtime.GOARCH)
	return err
}
