package main

import (
	"context"
	"errors"
	"flag"
	"fmt"
	"io"
	"net/http"
	"os"
	"strconv"
	"strings"
	"text/tabwriter"
	"time"

	"rsc.io/qr"
)

const pairExamples = `  frostline pair --role owner --name "Anna's phone"
  frostline pair --name "renter, week 48" --for 7d
  frostline pair --list
  frostline pair --revoke "renter, week 48"
`

func pairCmd(ctx context.Context, w world, fs *flag.FlagSet, args []string) error {
	role := fs.String("role", "viewer", "`role` of the phone: viewer looks, owner also gives orders")
	name := fs.String("name", "", "`name` of the phone; else its person says")
	lasts := fs.String("for", "365d", "`time` that it stays paired, as 30d or 12h")
	list := fs.Bool("list", false, "list the paired phones")
	revoke := fs.String("revoke", "", "end the pairing of the phone of this `name`")
	configured := stateFlags(fs)
	words, err := parse(fs, args)
	switch {
	case err != nil:
		return err
	case noWords(words) != nil:
		return noWords(words)
	case isSet(fs, "revoke") && *revoke == "":
		return usagef("--revoke: name the phone; frostline pair --list has the names")
	case *list && *revoke != "":
		return usagef("--list and --revoke exclude each other")
	case *role != "viewer" && *role != "owner":
		return usagef("--role %s: there is viewer and owner", *role)
	}
	long, err := days(*lasts)
	if err != nil {
		return usagef("--for: %v", err)
	}
	cfg, err := configured()
	if err != nil {
		return err
	}
	c := newControl(cfg.StateDir)
	switch {
	case *list:
		return c.phones(ctx, w.out)
	case *revoke != "":
		if err := c.ask(ctx, http.MethodPost, "/api/revoke", map[string]string{"phone": *revoke}, nil); err != nil {
			return err
		}
		_, err := fmt.Fprintf(w.out, "%s is revoked: it sees nothing any more.\n", *revoke)
		return err
	}
	return c.pair(ctx, w.out, *role, *name, long)
}

// days reads a span of time that may be given in days.
func days(text string) (time.Duration, error) {
	if n, ok := strings.CutSuffix(text, "d"); ok {
		d, err := strconv.ParseFloat(n, 64)
		if err != nil || !(d >= 0 && d <= 1e4) {
			return 0, fmt.Errorf("%q is no number of days, like 30d", text)
		}
		return time.Duration(d * 24 * float64(time.Hour)), nil
	}
	d, err := time.ParseDuration(text)
	if err != nil {
		return 0, fmt.Errorf("%q is no span of time, like 30d or 12h", text)
	}
	return d, nil
}

// pair asks for an offer and shows it.
func (c *control) pair(ctx context.Context, out io.Writer, role, name string, lasts time.Duration) error {
	var offer struct {
		Link   string
		Doors  []string
		Code   string
		LastsS int `json:"lasts_s"`
		HTTPS  bool
	}
	err := c.ask(ctx, http.MethodPost, "/api/pair", map[string]any{"role": role, "name": name, "for_s": lasts.Seconds()}, &offer)
	if err != nil {
		return err
	}
	if len(offer.Doors) == 0 {
		return errors.New("this board has no address that a phone could reach; is its network up?")
	}
	if isTerminal(out) {
		code, err := qr.Encode(offer.Link, qr.L)
		if err != nil {
			return err
		}
		fmt.Fprintf(out, "Scan this with the phone:\n\n%s\n", qrText(code))
	}
	fmt.Fprintf(out, "%s\n\nOr open  %s\n", offer.Link, offer.Doors[0])
	for _, d := range offer.Doors[1:] {
		fmt.Fprintf(out, "     or  %s\n", d)
	}
	fmt.Fprintf(out, "and type  %s\n\nIt pairs one %s's phone within %d minutes.\n", offer.Code, role, offer.LastsS/60)
	if !offer.HTTPS {
		fmt.Fprintln(out, "The page is plain HTTP: whoever shares the network can read along. See cert_file in [page].")
	}
	return nil
}

// phones lists who is paired.
func (c *control) phones(ctx context.Context, out io.Writer) error {
	var said struct {
		Phones []struct{ Name, Role, Paired, Seen, Until string }
	}
	if err := c.ask(ctx, http.MethodGet, "/api/phones", nil, &said); err != nil {
		return err
	}
	if len(said.Phones) == 0 {
		_, err := fmt.Fprintln(out, "no phone is paired")
		return err
	}
	t := tabwriter.NewWriter(out, 0, 0, 2, ' ', 0)
	fmt.Fprintln(t, "phone\trole\tpaired\tseen\tuntil")
	for _, p := range said.Phones {
		day := func(moment string) string {
			if date, _, ok := strings.Cut(moment, "T"); ok {
				return date
			}
			return "? (clock)" // it has not been right since
		}
		fmt.Fprintf(t, "%s\t%s\t%s\t%s\t%s\n", p.Name, p.Role, day(p.Paired), day(p.Seen), day(p.Until))
	}
	return t.Flush()
}

// isTerminal reports whether a person looks at it.
func isTerminal(out io.Writer) bool {
	f, ok := out.(*os.File)
	if !ok {
		return false
	}
	st, err := f.Stat()
	return err == nil && st.Mode()&os.ModeCharDevice != 0
}

// qrText draws two rows of modules in each line of text, black on white whatever the
// terminal's colours, with a quiet margin of four modules.
func qrText(code *qr.Code) string {
	const margin = 4
	halves := [4]string{" ", "▀", "▄", "█"} // none, upper, lower, both are dark
	var b strings.Builder
	for y := -margin; y < code.Size+margin; y += 2 {
		b.WriteString("\x1b[30;107m")
		for x := -margin; x < code.Size+margin; x++ {
			at := 0
			if code.Black(x, y) {
				at |= 1
			}
			if code.Black(x, y+1) {
				at |= 2
			}
			b.WriteString(halves[at])
		}
		b.WriteString("\x1b[0m\n")
	}
	return b.String()
}
