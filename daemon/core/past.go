package core

import "time"

// Bucket is one stretch of history of one series: a raw channel by its name, or an
// estimate by the names of the estimates file ("fuel_kg", "fuel_low_kg", "fuel_high_kg",
// "burn_kg_h", ...). N is the number of ticks it holds; a stretch without any is left out,
// so a gap stays a gap.
type Bucket struct {
	FromWall       time.Time
	Length         time.Duration
	Min, Mean, Max float64
	N              int
}
