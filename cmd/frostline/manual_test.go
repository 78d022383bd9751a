package main

import (
	"bytes"
	"context"
	"errors"
	"flag"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"strings"
	"testing"
)

var update = flag.Bool("update", false, "rewrite the manual and the completions from the commands")

// TestManualAndCompletionsAreThoseOfTheCommands holds what the package ships to what the
// binary answers: the manual page and the completions of three shells are made from the
// same table of commands as the help.
func TestManualAndCompletionsAreThoseOfTheCommands(t *testing.T) {
	cs := documented(t)
	for name, text := range map[string]string{
		"frostline.8":    manual(cs),
		"frostline.bash": bashCompletion(cs),
		"frostline.zsh":  zshCompletion(cs),
		"frostline.fish": fishCompletion(cs),
	} {
		file := filepath.Join("..", "..", "systemd", "deb", name)
		if *update {
			if err := os.WriteFile(file, []byte(text), 0o644); err != nil {
				t.Fatal(err)
			}
		}
		got, err := os.ReadFile(file)
		if err != nil {
			t.Fatal(err)
		}
		if !bytes.Equal(got, []byte(text)) {
			t.Errorf("%s is not what the commands say; want it written anew with: go test ./cmd/frostline -run Manual -update", name)
		}
	}
}

// documentedCommand is a command with its flags.
type documentedCommand struct {
	command
	flags []documentedFlag
}

type documentedFlag struct {
	name, kind, text, byDefault string
	file, dir                   bool // its value is one
}

func documented(t *testing.T) []documentedCommand {
	t.Helper()
	var all []documentedCommand
	for _, c := range commands() {
		fs := flag.NewFlagSet(c.name, flag.ContinueOnError)
		fs.SetOutput(io.Discard)
		err := c.run(context.Background(), world{out: io.Discard, err: io.Discard, log: newLog(io.Discard)}, fs, []string{"--help"})
		if !errors.Is(err, flag.ErrHelp) {
			t.Fatalf("frostline %s --help: %v, want help", c.name, err)
		}
		d := documentedCommand{command: c}
		fs.VisitAll(func(f *flag.Flag) {
			kind, text := flag.UnquoteUsage(f)
			x := documentedFlag{name: f.Name, kind: kind, text: text, byDefault: f.DefValue}
			if f.DefValue == "false" || f.DefValue == "[]" {
				x.byDefault = ""
			}
			x.file, x.dir = strings.Contains(kind, "file"), strings.Contains(kind, "dir")
			d.flags = append(d.flags, x)
		})
		all = append(all, d)
	}
	return all
}

// roff escapes what a line of mdoc takes for its own.
func roff(s string) string {
	s = strings.NewReplacer(`\`, `\e`, "-", `\-`, "\n", " ").Replace(s)
	if strings.HasPrefix(s, ".") || strings.HasPrefix(s, "'") {
		s = `\&` + s
	}
	return s
}

// arg is a word of an mdoc macro line, quoted, and kept from being a macro.
func arg(s string) string {
	return `"\&` + strings.ReplaceAll(roff(s), `"`, `\(dq`) + `"`
}

func manual(cs []documentedCommand) string {
	var b strings.Builder
	b.WriteString(`.Dd November 25, 2026
.Dt FROSTLINE 8
.Os
.Sh NAME
.Nm frostline
.Nd monitor for the LP-gas system of a camper van
.Sh SYNOPSIS
.Nm
.Ar command
.Op Ar flags
.Sh DESCRIPTION
.Nm
reads a load cell under the gas cylinder, a gas sensor at the floor and thermometers.
It estimates the fuel that is left and whether the regulator may freeze, raises alarms,
shows a page for a phone, and publishes metrics and MQTT messages if told to.
.Pp
It complements a certified gas alarm at floor level and never replaces it.
Local codes and a qualified fitter decide what may be built.
Whoever smells gas gets out: no switches, no flame, no phone inside.
.Sh COMMANDS
Flags are written with two hyphens.
.Bl -tag -width Ds
`)
	for _, c := range cs {
		fmt.Fprintf(&b, ".It Cm %s\n%s.\n", c.name, roff(c.line))
		if len(c.flags) == 0 {
			continue
		}
		b.WriteString(".Bl -tag -width Ds\n")
		for _, f := range c.flags {
			fmt.Fprintf(&b, ".It Fl \\-%s", roff(f.name))
			if f.kind != "" {
				fmt.Fprintf(&b, " Ar %s", arg(f.kind))
			}
			fmt.Fprintf(&b, "\n%s", roff(f.text))
			if f.byDefault != "" {
				fmt.Fprintf(&b, "\n.Pq default %s", arg(f.byDefault))
			}
			b.WriteString("\n")
		}
		b.WriteString(".El\n")
	}
	b.WriteString(`.El
.Sh SIGNALS
.Bl -tag -width SIGTERM
.It Dv SIGHUP
.Cm run
reads its configuration again.
Another list of sensors needs a restart, and so do page, broker, webhook, mail, store and sounder.
Every other command ends, unless it was started to ignore it.
.It Dv SIGTERM , SIGINT
.Cm run
writes what it knows and ends.
Others stop where they are; a recording is closed.
.El
.Sh FILES
.Bl -tag -width Ds
.It Pa /etc/frostline/frostline.toml
the configuration, see
.Xr frostline.toml 5 .
The program never writes it.
.It Pa /var/lib/frostline/history.db
calibration, ledger of nights, alarms and checkpoints, with a log and a reserve beside it
.It Pa /var/lib/frostline/history.db.old
what a restore put aside; a later one is
.Pa history.db.old2
.It Pa /var/lib/frostline/phones.json
the paired phones
.It Pa /var/lib/frostline/control.sock
over which the other commands speak to the daemon: whoever may open it may do everything
.El
.Sh EXIT STATUS
.Bl -tag -width Ds
.It 0
done
.It 1
failed
.It 2
the command line is wrong
.It 3
a check found something
.El
.Sh EXAMPLES
`)
	for _, c := range cs {
		fmt.Fprintf(&b, ".Bd -literal -offset indent\n")
		for _, line := range strings.Split(strings.TrimRight(c.examples, "\n"), "\n") {
			b.WriteString(roff(strings.TrimPrefix(line, "  ")) + "\n")
		}
		b.WriteString(".Ed\n")
	}
	b.WriteString(".Sh SEE ALSO\n.Xr frostline.toml 5\n")
	return b.String()
}

func names(cs []documentedCommand) string {
	var all []string
	for _, c := range cs {
		all = append(all, c.name)
	}
	return strings.Join(append(all, "help"), " ")
}

func bashCompletion(cs []documentedCommand) string {
	var b strings.Builder
	b.WriteString("# Completion of frostline for bash, made from its commands.\n\n_frostline() {\n" +
		"\tlocal word=${COMP_WORDS[COMP_CWORD]} before=${COMP_WORDS[COMP_CWORD - 1]} flags=\n\tCOMPREPLY=()\n" +
		"\tif ((COMP_CWORD == 1)); then\n\t\tmapfile -t COMPREPLY < <(compgen -W '" + names(cs) + "' -- \"$word\")\n\t\treturn\n\tfi\n" +
		"\tcase ${COMP_WORDS[1]} in\n")
	for _, c := range cs {
		var flags []string
		for _, f := range c.flags {
			flags = append(flags, "--"+f.name)
		}
		fmt.Fprintf(&b, "\t%s) flags='%s' ;;\n", c.name, strings.Join(append(flags, "--help"), " "))
	}
	b.WriteString("\tesac\n\tif [[ $word == -* ]]; then\n\t\tmapfile -t COMPREPLY < <(compgen -W \"$flags\" -- \"$word\")\n" +
		"\telif [[ $before == --state ]]; then\n\t\tmapfile -t COMPREPLY < <(compgen -d -- \"$word\")\n" +
		"\telse\n\t\tmapfile -t COMPREPLY < <(compgen -f -- \"$word\")\n\tfi\n}\ncomplete -o filenames -F _frostline frostline\n")
	return b.String()
}

func zshCompletion(cs []documentedCommand) string {
	quote := func(s string) string {
		return strings.NewReplacer(`'`, `'\''`, `[`, `\[`, `]`, `\]`, `:`, `\:`).Replace(s)
	}
	var b strings.Builder
	b.WriteString("#compdef frostline\n# Completion of frostline for zsh, made from its commands.\n\n_frostline() {\n" +
		"\tif ((CURRENT == 2)); then\n\t\tlocal -a commands=(\n")
	for _, c := range cs {
		fmt.Fprintf(&b, "\t\t\t'%s:%s'\n", c.name, quote(c.line))
	}
	b.WriteString("\t\t)\n\t\t_describe command commands\n\t\treturn\n\tfi\n\tcase $words[2] in\n")
	for _, c := range cs {
		fmt.Fprintf(&b, "\t%s) _arguments", c.name)
		for _, f := range c.flags {
			fmt.Fprintf(&b, " \\\n\t\t'--%s[%s]%s'", f.name, quote(f.text), zshValue(f))
		}
		b.WriteString(" \\\n\t\t'*:file:_files' ;;\n")
	}
	b.WriteString("\tesac\n}\n\n_frostline \"$@\"\n")
	return b.String()
}

func zshValue(f documentedFlag) string {
	switch {
	case f.dir:
		return ":directory:_directories"
	case f.file:
		return ":file:_files"
	case f.kind != "":
		return ":" + strings.ReplaceAll(f.kind, ":", `\:`) + ":"
	}
	return ""
}

func fishCompletion(cs []documentedCommand) string {
	quote := func(s string) string { return strings.NewReplacer(`\`, `\\`, `'`, `\'`).Replace(s) }
	var b strings.Builder
	b.WriteString("# Completion of frostline for fish, made from its commands.\n\n")
	for _, c := range cs {
		fmt.Fprintf(&b, "complete -c frostline -n __fish_use_subcommand -f -a %s -d '%s'\n", c.name, quote(c.line))
	}
	for _, c := range cs {
		for _, f := range c.flags {
			value := ""
			switch {
			case f.dir:
				value = " -x -a '(__fish_complete_directories)'"
			case f.file:
				value = " -r -F"
			case f.kind != "":
				value = " -x"
			}
			fmt.Fprintf(&b, "complete -c frostline -n '__fish_seen_subcommand_from %s' -l %s%s -d '%s'\n", c.name, f.name, value, quote(f.text))
		}
	}
	return b.String()
}
