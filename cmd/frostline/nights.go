package main

import (
	"context"
	"encoding/csv"
	"encoding/json"
	"errors"
	"flag"
	"fmt"
	"io"
	"net/http"
	"os"
	"path/filepath"
	"strconv"
	"text/tabwriter"
	"time"

	"frostline/config"
	"frostline/daemon/history"
	"frostline/daemon/nights"
)

const nightsExamples = `  frostline nights
  frostline nights --last 30
  frostline nights --csv > nights.csv
`

func nightsCmd(ctx context.Context, w world, fs *flag.FlagSet, args []string) error {
	conf := fs.String("config", defaultConfig, "configuration `file`")
	state := fs.String("state", "", "state `directory`, instead of the configuration's")
	last := fs.Int("last", 365, "`number` of nights, the latest ones")
	asCSV := fs.Bool("csv", false, "as CSV (RFC 4180), units in the header")
	words, err := parse(fs, args)
	switch {
	case err != nil:
		return err
	case noWords(words) != nil:
		return noWords(words)
	case *last < 1:
		return usagef("--last must be at least 1")
	}
	dir, page := *state, ""
	if dir == "" {
		cfg, err := config.Load(*conf)
		if err != nil {
			return err
		}
		dir, page = cfg.StateDir, cfg.Page.Listen
	}
	rows, err := ledger(ctx, w, dir, page, *last)
	if err != nil {
		return err
	}
	if *asCSV {
		return nightsCSV(w.out, rows)
	}
	return nightsTable(w.out, rows)
}

// ledger reads the store, or asks the daemon that holds it.
func ledger(ctx context.Context, w world, dir, page string, last int) ([]nights.Night, error) {
	file := filepath.Join(dir, historyFile)
	if _, err := os.Stat(file); err != nil {
		return nil, fmt.Errorf("no ledger in %s (%w); name the state directory with --state", dir, err)
	}
	store, err := history.Open(file, history.Options{Log: w.log})
	if err == nil {
		defer store.Close()
		return store.Nights(ctx, last)
	}
	if page == "" {
		return nil, fmt.Errorf("%w; if frostline is running, leave out --state so that it can be asked", err)
	}
	rows, askErr := ask(ctx, page, last)
	return rows, errors.Join(askErr)
}

func ask(ctx context.Context, page string, last int) ([]nights.Night, error) {
	ctx, cancel := context.WithTimeout(ctx, 10*time.Second)
	defer cancel()
	url := fmt.Sprintf("http://%s/api/nights?limit=%d", page, last)
	req, err := http.NewRequestWithContext(ctx, http.MethodGet, url, nil)
	if err != nil {
		return nil, err
	}
	resp, err := http.DefaultClient.Do(req)
	if err != nil {
		return nil, err
	}
	defer resp.Body.Close()
	if resp.StatusCode != http.StatusOK {
		return nil, fmt.Errorf("%s: %s", url, resp.Status)
	}
	var out struct {
		Nights []nights.Night `json:"nights"`
	}
	if err := json.NewDecoder(io.LimitReader(resp.Body, 4<<20)).Decode(&out); err != nil {
		return nil, fmt.Errorf("%s: %w", url, err)
	}
	return out.Nights, nil
}

func nightsTable(out io.Writer, rows []nights.Night) error {
	if len(rows) == 0 {
		_, err := fmt.Fprintln(out, "no night has been lived yet")
		return err
	}
	t := tabwriter.NewWriter(out, 0, 0, 2, ' ', tabwriter.AlignRight)
	fmt.Fprintln(t, "night\tburned kg\t95 %\theater h\tlow out °C\tmean out °C\tlow cabin °C\tlow pipe °C\tgas\tunwatched h\t")
	for _, n := range rows {
		fmt.Fprintf(t, "%s\t%s\t%s–%s\t%s\t%s\t%s\t%s\t%s\t%s\t%.1f\t\n", n.Date, cell(n.BurnedKg, 2), cell(n.BurnedLowKg, 2),
			cell(n.BurnedHighKg, 2), cell(n.HeaterH, 1), cell(n.OutsideLowC, 1), cell(n.OutsideMeanC, 1), cell(n.CabinLowC, 1),
			cell(n.PipeLowC, 1), n.HighestBand, n.GapH)
	}
	return t.Flush()
}

func cell(v *float64, digits int) string {
	if v == nil {
		return "?"
	}
	return number(*v, digits)
}

func nightsCSV(out io.Writer, rows []nights.Night) error {
	c := csv.NewWriter(out)
	c.Write([]string{"date", "from", "to", "model_version", "burned_kg", "burned_low_kg", "burned_high_kg", "heater_kg", "other_kg",
		"heater_h", "outside_low_c", "outside_mean_c", "cabin_low_c", "cabin_mean_c", "pipe_low_c", "degree_hours_kh",
		"gas_band", "watched_h", "gap_h", "alarms", "moved", "cylinder_changed", "clock_untrusted"})
	plain := func(v *float64) string {
		if v == nil {
			return ""
		}
		return number(*v, 4)
	}
	for _, n := range rows {
		c.Write([]string{n.Date, n.FromWall, n.ToWall, strconv.Itoa(n.Version), plain(n.BurnedKg), plain(n.BurnedLowKg), plain(n.BurnedHighKg),
			plain(n.HeaterKg), plain(n.OtherKg), plain(n.HeaterH), plain(n.OutsideLowC), plain(n.OutsideMeanC), plain(n.CabinLowC),
			plain(n.CabinMeanC), plain(n.PipeLowC), plain(n.DegreeHours), n.HighestBand, number(n.WatchedH, 2), number(n.GapH, 2),
			strconv.Itoa(n.Alarms), strconv.FormatBool(n.Moved), strconv.FormatBool(n.CylinderChanged), strconv.FormatBool(n.ClockUntrusted)})
	}
	c.Flush()
	return c.Error()
}
