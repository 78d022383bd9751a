package config

// These read a quantity with its unit, "9.1 kg", for the command line as the configuration
// reads it, and give it in the unit that ends the name. An error says what to write instead.

// ParseKg reads a mass.
func ParseKg(text string) (float64, error) { return mass.parse(text) }

// ParseKW reads a power.
func ParseKW(text string) (float64, error) { return power.parse(text) }

// ParseKgPerH reads a flow of fuel, as some plates state it.
func ParseKgPerH(text string) (float64, error) {
	return dimension{"a flow of fuel", []unit{{"kg/h", 1, 0}, {"g/h", 1e-3, 0}, {"lb/h", 0.45359237, 0}}}.parse(text)
}

// ParseC reads a temperature.
func ParseC(text string) (float64, error) { return temperature.parse(text) }

// ParseM reads a length.
func ParseM(text string) (float64, error) { return length.parse(text) }

// ParseMM reads a diameter.
func ParseMM(text string) (float64, error) { return diameter.parse(text) }

// ParseL reads a volume.
func ParseL(text string) (float64, error) { return volume.parse(text) }

// ParseGaugeKPa reads a gauge pressure.
func ParseGaugeKPa(text string) (float64, error) { return gauge.parse(text) }

// ParsePpm reads a share of air by volume. A percentage of the lower limit is none, since
// makers use two limits.
func ParsePpm(text string) (float64, error) { return share.parse(text) }

// ParsePct reads a percentage.
func ParsePct(text string) (float64, error) { return percent.parse(text) }

// ParseWPerK reads a conductance.
func ParseWPerK(text string) (float64, error) {
	return dimension{"a conductance", []unit{{"W/K", 1, 0}}}.parse(text)
}

// ParseH reads a length of time.
func ParseH(text string) (float64, error) {
	s, err := duration.parse(text)
	return s / 3600, err
}
