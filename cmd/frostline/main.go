// Command frostline watches the LP-gas system of a camper van: fuel, cold and gas at the
// floor. It complements a certified gas alarm and never replaces it.
package main

import (
	"context"
	"errors"
	"flag"
	"fmt"
	"io"
	"log/slog"
	"os"
	"os/signal"
	"slices"
	"strings"
	"syscall"

	"frostline/config"
)

// Exit codes, kept stable.
const (
	exitDone   = 0
	exitFailed = 1
	exitUsage  = 2
	exitFound  = 3 // check found something

	exitAnew = -1 // never seen outside: the program begins again
)

// errUsage marks a mistake on the command line; errFound that a check found something and
// has already said it.
var (
	errUsage = errors.New("usage")
	errFound = errors.New("check found something")
)

// world is what a command may touch.
type world struct {
	in       io.Reader
	out, err io.Writer
	log      *slog.Logger
}

// command is one word after frostline.
type command struct {
	name, line string
	examples   string
	run        func(ctx context.Context, w world, fs *flag.FlagSet, args []string) error
}

func commands() []command {
	return []command{
		{"run", "the daemon, on real sensors", runExamples, runCmd},
		{"demo", "a van that does not exist, with page, metrics and broker; nothing to install", demoExamples, demoCmd},
		{"replay", "judge recordings again, as if lived", replayExamples, replayCmd},
		{"record", "raw readings to a recording", recordExamples, recordCmd},
		{"calibrate", "the scale or the gas sensor, step by step, through the running daemon", calibrateExamples, calibrateCmd},
		{"drill", "hear each sound of an alarm once, and say whether you did", drillExamples, drillCmd},
		{"check", "configuration and sensors: what was found, what is wrong, what to do", checkExamples, checkCmd},
		{"nights", "the ledger of nights as a table, CSV or pictures, and what a season cost", nightsExamples, nightsCmd},
		{"plan", "how long a cylinder lasts: hours, pressure, supply ratio and ice, before you go", planExamples + "\nSizes: " + sizeNames() + "\n", planCmd},
		{"pair", "one-time link, QR code and short code for a phone; list phones and revoke them", pairExamples, pairCmd},
		{"backup", "one file with state and ledger", backupExamples, backupCmd},
		{"restore", "put a backup in place; what was there is kept aside", restoreExamples, restoreCmd},
		{"erase", "forget everything, between renters or before a sale, the broker's topics too", eraseExamples, eraseCmd},
		{"version", "what this binary is", versionExamples, versionCmd},
	}
}

const disclaimer = "frostline complements a certified gas alarm and never replaces it.\n"

func main() { os.Exit(start(os.Args[1:])) }

func start(args []string) int {
	// A journal that closes its end must cost log lines, not the gas watch.
	signal.Ignore(syscall.SIGPIPE)
	ends := []os.Signal{os.Interrupt, syscall.SIGTERM}
	if !signal.Ignored(syscall.SIGHUP) && (len(args) == 0 || args[0] != "run") { // nohup means it; to the daemon it is a reload
		ends = append(ends, syscall.SIGHUP) // a closed terminal ends a recording as Ctrl-C does
	}
	ctx, stop := signal.NotifyContext(context.Background(), ends...)
	defer stop()
	context.AfterFunc(ctx, stop) // what does not heed the first signal ends by the second
	loose := newLooseWriter(os.Stderr)
	defer loose.flush()
	w := world{in: os.Stdin, out: os.Stdout, err: os.Stderr, log: newLog(loose)}
	code := dispatch(ctx, w, args)
	if code != exitAnew {
		return code
	}
	// A new image of the process holds nothing of what was erased, and lets go of every line
	// and bus. If there is none, the service manager starts one.
	loose.flush()
	self, err := os.Executable()
	if err == nil {
		err = syscall.Exec(self, os.Args, os.Environ())
	}
	fmt.Fprintln(os.Stderr, "frostline: erased, and not begun anew:", err)
	return exitFailed
}

// newLog writes one line per change and no time stamps: the journal has them.
func newLog(out io.Writer) *slog.Logger {
	return slog.New(slog.NewTextHandler(out, &slog.HandlerOptions{
		ReplaceAttr: func(groups []string, a slog.Attr) slog.Attr {
			if a.Key == slog.TimeKey && len(groups) == 0 {
				return slog.Attr{}
			}
			return a
		}}))
}

func dispatch(ctx context.Context, w world, args []string) int {
	if len(args) == 0 {
		usage(w.err)
		return exitUsage
	}
	switch args[0] {
	case "help", "-h", "--help":
		if len(args) == 1 {
			usage(w.out)
			return exitDone
		}
		args = []string{args[1], "--help"}
	case "--version":
		args = []string{"version"}
	}
	i := slices.IndexFunc(commands(), func(c command) bool { return c.name == args[0] })
	if i < 0 {
		fmt.Fprintf(w.err, "frostline: there is no command %q\n\n", args[0])
		usage(w.err)
		return exitUsage
	}
	c := commands()[i]
	fs := flag.NewFlagSet(c.name, flag.ContinueOnError)
	fs.SetOutput(io.Discard)
	err := c.run(ctx, w, fs, args[1:])
	switch {
	case err == nil:
		return exitDone
	case errors.Is(err, flag.ErrHelp):
		c.help(w.out, fs)
		return exitDone
	case errors.Is(err, errUsage):
		fmt.Fprintf(w.err, "frostline %s: %s\nfrostline %[1]s --help has the flags and examples\n", c.name, strings.TrimPrefix(err.Error(), "usage: "))
		return exitUsage
	case errors.Is(err, errFound):
		return exitFound
	case errors.Is(err, errErased):
		return exitAnew
	}
	fmt.Fprintf(w.err, "frostline %s: %v\n", c.name, err)
	return exitFailed
}

func usage(out io.Writer) {
	fmt.Fprint(out, "frostline watches a van's LP-gas system.\n", disclaimer, "\nusage: frostline COMMAND [flags]\n\n")
	for _, c := range commands() {
		fmt.Fprintf(out, "  %-9s %s\n", c.name, c.line)
	}
	fmt.Fprint(out, "\nTry without any hardware:  frostline demo\nHelp on one command:       frostline COMMAND --help\n")
}

func (c command) help(out io.Writer, fs *flag.FlagSet) {
	fmt.Fprintf(out, "frostline %s: %s\n\n", c.name, c.line)
	fs.VisitAll(func(f *flag.Flag) {
		def := ""
		if f.DefValue != "" && f.DefValue != "false" {
			def = " (default " + f.DefValue + ")"
		}
		name := "--" + f.Name
		if kind, _ := flag.UnquoteUsage(f); kind != "" {
			name += " " + strings.ToUpper(kind)
		}
		_, text := flag.UnquoteUsage(f)
		fmt.Fprintf(out, "  %-22s %s%s\n", name, text, def)
	})
	fmt.Fprintf(out, "\nExamples:\n%s", c.examples)
}

// asWritten turns what the flag package says of a flag into how it is written here.
var asWritten = strings.NewReplacer("for flag -", "for flag --", "for -", "for --", "defined: -", "defined: --", "argument: -", "argument: --")

// parse reads flags wherever they stand and returns the other words.
func parse(fs *flag.FlagSet, args []string) ([]string, error) {
	var words []string
	for {
		if err := fs.Parse(args); err != nil {
			if errors.Is(err, flag.ErrHelp) {
				return nil, err
			}
			return nil, usagef("%s", asWritten.Replace(err.Error()))
		}
		if fs.NArg() == 0 {
			return words, nil
		}
		words = append(words, fs.Arg(0))
		args = fs.Args()[1:]
	}
}

// stateFlags adds the flags that say where the daemon keeps its state, and returns what reads
// the configuration they name, once they were parsed. Where the state directory is named and
// the file is not, no file is needed.
func stateFlags(fs *flag.FlagSet) func() (*config.Config, error) {
	file := fs.String("config", defaultConfig, "configuration `file`")
	state := fs.String("state", "", "state `directory`, instead of the configuration's")
	return func() (*config.Config, error) {
		cfg := &config.Config{}
		if *state == "" || isSet(fs, "config") {
			var err error
			if cfg, err = config.Load(*file); err != nil {
				return nil, err
			}
		}
		if *state != "" {
			cfg.StateDir = *state
		}
		return cfg, nil
	}
}

func isSet(fs *flag.FlagSet, name string) (set bool) {
	fs.Visit(func(f *flag.Flag) { set = set || f.Name == name })
	return set
}

func usagef(format string, args ...any) error {
	return fmt.Errorf("%w: %s", errUsage, fmt.Sprintf(format, args...))
}

// oneWord reads flags and the one word a command takes beside them.
func oneWord(fs *flag.FlagSet, args []string, wanted string) (string, error) {
	words, err := parse(fs, args)
	if err == nil && len(words) != 1 {
		err = usagef("%s", wanted)
	}
	if err != nil {
		return "", err
	}
	return words[0], nil
}

// noWords refuses words a command has no use for.
func noWords(words []string) error {
	if len(words) > 0 {
		return usagef("what is %q?", words[0])
	}
	return nil
}
