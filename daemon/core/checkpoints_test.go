package core_test

import (
	"errors"
	"io"
	"os"
	"path/filepath"
	"testing"

	"frostline/config"
	"frostline/daemon/core"
)

// TestCheckpointsOfRecordings cuts the recordings kept beside the code where it also cuts
// scenarios: what has read a checkpoint has the future of what has lived it, and a reload
// changes nothing.
func TestCheckpointsOfRecordings(t *testing.T) {
	if testing.Short() {
		t.Skip("long: each recording twice")
	}
	for _, name := range []string{"galley", "noisy-wires"} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			cfg, err := config.Load(filepath.Join("../../testdata/vans", name+".toml"))
			if err != nil {
				t.Fatal(err)
			}
			twins, reloads := core.NewTwins(cfg.Core, core.NewCuts(3, 6000)), core.NewReloads(cfg.Core, core.NewCuts(4, 6000))
			boots, err := filepath.Glob(filepath.Join("../../testdata/recordings", name, "boot-*.csv.gz"))
			if err != nil || len(boots) == 0 {
				t.Fatalf("no boots of %s: %v", name, err)
			}
			for _, boot := range boots {
				f, err := os.Open(boot)
				if err != nil {
					t.Fatal(err)
				}
				defer f.Close()
				d, err := core.NewDecoder(f, cfg.Core.Wiring)
				if err != nil {
					t.Fatal(err)
				}
				for {
					in, err := d.Next()
					if errors.Is(err, io.EOF) {
						break
					}
					if err != nil {
						t.Fatal(err)
					}
					if in.Boot == "" {
						in.Boot = filepath.Base(boot)
					}
					twins.Step(t, in)
					reloads.Step(t, in)
				}
			}
			reloads.End(t)
			if twins.N < 4 {
				t.Errorf("cut %d times, want 4", twins.N)
			}
		})
	}
}
