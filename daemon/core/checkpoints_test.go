package core_test

import (
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
			eachInput(t, filepath.Join("../../testdata/recordings", name), cfg.Core.Wiring, func(in core.Input) {
				twins.Step(t, in)
				reloads.Step(t, in)
			})
			reloads.End(t)
			if twins.N < 4 {
				t.Errorf("cut %d times, want 4", twins.N)
			}
		})
	}
}
