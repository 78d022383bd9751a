package web

import (
	"encoding/json"
	"errors"
	"net/http"

	"frostline/daemon/core"
	"frostline/daemon/estimate"
	"frostline/sensors"
)

// calibrationJSON is what a person who calibrates must see, of the newest tick.
type calibrationJSON struct {
	Notice string     `json:"notice"`
	Stamp  *stampJSON `json:"stamp"`
	Begun  string     `json:"begun"` // scale or gas while somebody calibrates

	Load    *settledJSON             `json:"load"`   // null: no load cell is wired
	CellC   *float64                 `json:"cell_c"` // air beside the cell; null: unknown
	Scale   *estimate.ScaleConstants `json:"scale"`  // that hold; null: not calibrated
	Zero    *estimate.ScalePoint     `json:"zero"`   // of the calibration that has begun
	Loads   []estimate.ScalePoint    `json:"loads"`
	Records []estimate.ScaleRecord   `json:"scale_records"` // oldest first

	GasV       *float64             `json:"gas_v"` // null: unknown
	Gas        *gasJSON             `json:"gas"`
	GasRecords []estimate.GasRecord `json:"gas_records"`

	Fitted bool        `json:"sounder_fitted"`
	Heard  *core.Heard `json:"sounder_heard"`
}

// settledJSON is a raw signal at rest or not.
type settledJSON struct {
	Mean   float64 `json:"mean"` // of the newest ten readings, in the unit that ends the channel's name
	SD     float64 `json:"sd"`
	Spread float64 `json:"spread"`
	N      int     `json:"n"`
	AgeS   float64 `json:"age_s"`
	Steady bool    `json:"steady"`
}

func (s *Server) getCalibration(w http.ResponseWriter, r *http.Request) {
	s.sendJSON(w, http.StatusOK, s.calibration(s.latest.Load()))
}

func (s *Server) calibration(f *frame) calibrationJSON {
	whole := f.snapshot()
	out := calibrationJSON{Notice: certified, Stamp: whole.Stamp, Gas: whole.Gas, Loads: []estimate.ScalePoint{},
		Records: []estimate.ScaleRecord{}, GasRecords: []estimate.GasRecord{}, Fitted: s.opt.Drill != nil}
	if !f.whole() {
		return out
	}
	e := f.snap.Est
	c := e.Calibration
	out.Begun, out.Zero, out.Heard = c.Begun, c.Zero, f.snap.Heard
	out.Loads = append(out.Loads, c.Loads...)
	out.Records = append(out.Records, c.Scale...)
	out.GasRecords = append(out.GasRecords, c.Gas...)
	if now := c.ScaleNow; now.CountsPerKg != 0 {
		out.Scale = &now
	}
	for _, ch := range e.Channels {
		switch {
		case ch.Channel == sensors.LoadCounts:
			n := settledJSON(e.LoadNow)
			out.Load = &n
		case ch.Channel == sensors.GasV && ch.Quality >= sensors.Suspect:
			out.GasV = &ch.Value
		case ch.Channel == sensors.LockerC && ch.Quality >= sensors.Suspect:
			out.CellC = &ch.Value
		}
	}
	return out
}

// postDrill plays a sound of an alarm, for people to hear and know. Whether they heard it is
// a command of its own.
func (s *Server) postDrill(w http.ResponseWriter, r *http.Request) {
	if !atBoard(r) {
		s.sendError(w, http.StatusForbidden, errors.New("drill: it is started on the board itself, by frostline drill"))
		return
	}
	var order struct {
		Sound string `json:"sound"`
	}
	if err := json.NewDecoder(http.MaxBytesReader(w, r.Body, maxBody)).Decode(&order); err != nil {
		s.sendError(w, bodyStatus(err), bodyError(err))
		return
	}
	if s.opt.Drill == nil {
		s.sendError(w, http.StatusConflict, errors.New("drill: no sounder is fitted, so nothing here can wake you"))
		return
	}
	lasts, err := s.opt.Drill(order.Sound)
	if err != nil {
		s.sendError(w, http.StatusConflict, err)
		return
	}
	s.sendJSON(w, http.StatusOK, struct {
		LastsS float64 `json:"lasts_s"`
	}{lasts.Seconds()})
}
