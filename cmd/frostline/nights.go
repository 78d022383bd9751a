package main

import (
	"context"
	"errors"
	"flag"
	"fmt"
	"io"
	"io/fs"
	"net/http"
	"os"
	"path/filepath"
	"syscall"
	"text/tabwriter"

	"frostline/daemon/history"
	"frostline/daemon/nights"
	"frostline/daemon/show"
)

const nightsExamples = `  frostline nights
  frostline nights --last 30
  frostline nights --csv > nights.csv
  frostline nights --season
  frostline nights --svg strip > nights.svg
  frostline nights --svg cost > cost.svg
`

func nightsCmd(ctx context.Context, w world, fs *flag.FlagSet, args []string) error {
	configured := stateFlags(fs)
	last := fs.Int("last", 365, "`number` of nights, the latest ones")
	asCSV := fs.Bool("csv", false, "as CSV (RFC 4180), units in the header")
	season := fs.Bool("season", false, "what the nights cost together: total, per night, per degree-hour, heat loss, forecasts")
	picture := fs.String("svg", "", "a `picture` as SVG: strip, the nights in a row, or cost, fuel against cold with the fitted band")
	versions := fs.Bool("versions", false, "every version of each night, the newest model's first; not while frostline runs")
	words, err := parse(fs, args)
	switch {
	case err != nil:
		return err
	case noWords(words) != nil:
		return noWords(words)
	case *last < 1:
		return usagef("--last must be at least 1")
	case *picture != "" && *picture != "strip" && *picture != "cost":
		return usagef("--svg %s: there is strip and cost", *picture)
	case atMostOne(*asCSV, *season, *picture != "") != nil:
		return atMostOne(*asCSV, *season, *picture != "")
	case *versions && (*season || *picture != ""):
		return usagef("--versions is for the table and --csv; the others count each night once")
	}
	cfg, err := configured()
	if err != nil {
		return err
	}
	rows, err := ledger(ctx, w, cfg.StateDir, *last, *versions)
	switch {
	case err != nil:
		return err
	case *asCSV:
		return nights.WriteCSV(w.out, rows)
	case *season:
		return nightsSeason(w.out, rows, cfg)
	case *picture != "":
		return nightsSVG(w.out, rows, *picture)
	}
	return nightsTable(w.out, rows)
}

func atMostOne(asked ...bool) error {
	n := 0
	for _, yes := range asked {
		if yes {
			n++
		}
	}
	if n > 1 {
		return usagef("--csv, --season and --svg exclude each other")
	}
	return nil
}

// ledger reads the store, or asks the daemon that holds it.
func ledger(ctx context.Context, w world, dir string, last int, versions bool) ([]nights.Night, error) {
	file := filepath.Join(dir, historyFile)
	switch f, err := os.OpenFile(file, os.O_RDWR, 0); {
	case errors.Is(err, fs.ErrPermission), errors.Is(err, syscall.EROFS):
		return nil, fmt.Errorf("%w: a store is read by who may write it; run this as root or as the daemon's user, or copy the directory and name the copy with --state", err)
	case err != nil:
		return nil, fmt.Errorf("no ledger in %s (%w); name the state directory with --state", dir, err)
	default:
		f.Close()
	}
	store, err := history.Open(file, history.Options{Log: w.log, Reading: true})
	if err == nil {
		defer store.Close()
		if versions {
			return store.NightVersions(ctx, last)
		}
		return store.Nights(ctx, last)
	}
	if versions {
		return nil, fmt.Errorf("%w; a running frostline tells the newest versions only: stop it, or copy its state directory and name the copy with --state", err)
	}
	var out struct {
		Nights []nights.Night `json:"nights"`
	}
	askErr := newControl(dir).ask(ctx, http.MethodGet, fmt.Sprintf("/api/nights?limit=%d", min(last, 1000)), nil, &out)
	if errors.Is(askErr, errNoDaemon) {
		return nil, err
	}
	return out.Nights, askErr
}

func nightsTable(out io.Writer, rows []nights.Night) error {
	if len(rows) == 0 {
		_, err := fmt.Fprintln(out, "no night has been lived yet")
		return err
	}
	t := tabwriter.NewWriter(out, 0, 0, 2, ' ', tabwriter.AlignRight)
	fmt.Fprintln(t, "night\tburned kg\t95 %\tforecast kg\tkWh\theater h\tlow out °C\tmean out °C\tlow cabin °C\tlow pipe °C\tleast supply\tgas\tAh\tunwatched h\t")
	for _, n := range rows {
		fmt.Fprintf(t, "%s\t%s\t%s–%s\t%s\t%s\t%s\t%s\t%s\t%s\t%s\t%s\t%s\t%s\t%.1f\t\n", n.Date, cell(n.BurnedKg, 2), cell(n.BurnedLowKg, 2),
			cell(n.BurnedHighKg, 2), forecastCell(n), cell(scaled(n.EnergyMJ, 1/mJPerKWh), 1), cell(n.HeaterH, 1), cell(n.OutsideLowC, 1), cell(n.OutsideMeanC, 1),
			cell(n.CabinLowC, 1), cell(n.PipeLowC, 1), cell(n.LeastSupplyRatio, 1), n.HighestBand, cell(n.DrawnAh(), 1), n.GapH)
	}
	if err := t.Flush(); err != nil {
		return err
	}
	_, err := fmt.Fprintln(out, forecastWords(nights.Score(rows)))
	return err
}

const mJPerKWh = 3.6

func scaled(v *float64, by float64) *float64 {
	if v == nil {
		return nil
	}
	x := *v * by
	return &x
}

// forecastCell is the evening's forecast, marked where what came lay outside its interval.
func forecastCell(n nights.Night) string {
	said := cell(n.ForecastLowKg, 2) + "–" + cell(n.ForecastHighKg, 2)
	switch {
	case n.ForecastKg == nil:
		return "?"
	case !n.Forecasted():
		return said + " (not judged)"
	case !n.ForecastHeld():
		return said + " (missed)"
	}
	return said
}

// forecastWords says how far the forecasts may be believed.
func forecastWords(c nights.Calibration) string {
	if c.NightsN == 0 {
		return "forecasts: none of these nights can judge one"
	}
	said := fmt.Sprintf("forecasts: %d of %d held (95 %% are meant to); mean error %+.2f kg", c.HeldN, c.NightsN, c.MeanErrKg)
	if c.WiderRatio > 1 {
		said += fmt.Sprintf("; too sure, the next is widened by %.1f", c.WiderRatio)
	}
	return said
}

func cell(v *float64, digits int) string {
	if v == nil {
		return "?"
	}
	return number(*v, digits)
}

func nightsSVG(out io.Writer, rows []nights.Night, picture string) error {
	svg, _ := show.StripOfNights(nights.StripPicture(rows))
	if picture == "cost" {
		h := nights.HeatLossOf(rows)
		p, nightH := nights.CostPicture(rows, h)
		p.Desc = fmt.Sprintf("Each dot is a night brought to %.0f h. %s", nightH, heatWords(h))
		svg = show.Cost(p)
	}
	_, err := io.WriteString(out, show.Document(svg))
	return err
}
