package main

import (
	"context"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"sync"
	"testing"

	"github.com/rogpeppe/go-internal/testscript"
)

// TestMain lets scripts call the binary under test as frostline, and tests that kill it run
// it as a process of its own.
func TestMain(m *testing.M) {
	if os.Getenv("FROSTLINE_AS_COMMAND") != "" {
		openPatience = patience
		os.Exit(start(os.Args[1:]))
	}
	if dir := os.Getenv(onlyOneEnv); dir != "" {
		fmt.Println(onlyOne(context.Background(), dir))
		os.Exit(exitDone)
	}
	if os.Getenv(boardEnv) != "" && os.Getpid() == 1 {
		asFirstProcess(m)
	}
	testscript.Main(tests{m}, map[string]func(){
		"frostline": func() { os.Exit(start(os.Args[1:])) },
	})
}

// madeOnce is the folder for what is made once and outlives the test that made it.
var madeOnce string

// tests are those of this package.
type tests struct{ *testing.M }

// Run runs them and removes what they made once.
func (m tests) Run() int {
	var err error
	if madeOnce, err = os.MkdirTemp("", "frostline-test-"); err != nil {
		fmt.Fprintln(os.Stderr, err)
		return 1
	}
	defer os.RemoveAll(madeOnce)
	return m.M.Run()
}

// shipped is the file of the program as it is shipped: without the race detector, which would
// take nine times as long over days of ticks and sees nothing in a replay.
var shipped = sync.OnceValues(func() (string, error) {
	bin := filepath.Join(madeOnce, "shipped", "shipped") // alone, for scripts find it by its folder
	build := exec.Command("go", "build", "-trimpath", "-o", bin, ".")
	build.Env = append(os.Environ(), "CGO_ENABLED=0")
	if out, err := build.CombinedOutput(); err != nil {
		return "", fmt.Errorf("go build: %w\n%s", err, out)
	}
	return bin, nil
})

// oneNight is a folder with a night and its exchange of cylinders as a demo leaves them: the
// state, the recording and the events. Several scripts look back at that one life.
var oneNight = sync.OnceValues(func() (string, error) {
	bin, err := shipped()
	if err != nil {
		return "", err
	}
	dir := filepath.Join(madeOnce, "night")
	demo := exec.Command(bin, "demo", "--scenario", "exchange-underfilled", "--fast", "--state", filepath.Join(dir, "van"),
		"--record", filepath.Join(dir, "swap.csv.gz"), "--events", filepath.Join(dir, "swap-live.jsonl"))
	if err := os.Mkdir(dir, 0o755); err != nil {
		return "", err
	}
	if out, err := demo.CombinedOutput(); err != nil {
		return "", fmt.Errorf("demo: %w\n%s", err, out)
	}
	return dir, nil
})

// TestScripts runs one script per promise of the command line, a happy and a wrong way for
// each command. A script may also run shipped, the program without the race detector, and
// have the night that was lived once, by oneNight, laid into its folder.
func TestScripts(t *testing.T) {
	bin, err := shipped()
	if err != nil {
		t.Fatal(err)
	}
	testscript.Run(t, testscript.Params{
		Dir: "testdata",
		Setup: func(env *testscript.Env) error {
			env.Setenv("PATH", filepath.Dir(bin)+string(os.PathListSeparator)+env.Getenv("PATH"))
			return nil
		},
		Cmds: map[string]func(ts *testscript.TestScript, neg bool, args []string){
			"lived": func(ts *testscript.TestScript, neg bool, args []string) {
				if neg || len(args) > 0 {
					ts.Fatalf("usage: lived")
				}
				dir, err := oneNight()
				ts.Check(err)
				ts.Check(os.CopyFS(ts.MkAbs("."), os.DirFS(dir)))
			},
		},
		RequireExplicitExec: true,
		RequireUniqueNames:  true,
		UpdateScripts:       os.Getenv("FROSTLINE_UPDATE_SCRIPTS") != "",
	})
}
