package lpg

import "math"

// substance is the data of one pure substance. Ancillary equations: the authors of its
// equation of state. Polynomials in C and the vapour enthalpy: own least-squares fits
// to that equation (correlations.csv in testdata/reference gives each error).
type substance struct {
	molarGPerMol    float64
	criticalK       float64
	criticalKPa     float64
	criticalKgPerM3 float64

	saturation  series // ln(p/pc) = (Tc/T) sum
	liquid      series // rho = rhoc (1 + sum)
	vapour      series // ln(rho/rhoc) = sum, or (Tc/T) sum
	vapourByTcT bool

	liquidCp [5]float64 // kJ/(kg K), by powers of t in C
	vapourCp [5]float64 // kJ/(kg K), by powers of t in C
	enthalpy enthalpy

	grossMJPerKg, netMJPerKg float64

	flammablePctVol [2]limits // by FlammableTable
}

// limits are flammable limits in air.
type limits struct{ lowerPctVol, upperPctVol float64 }

// series is sum n_i th^e_i with th = 1 - T/Tc. Arrays, so that it needs no allocation;
// unused terms are zero.
type series struct{ n, e [6]float64 }

// sum returns the series at th.
func (s *series) sum(th float64) float64 {
	total := 0.0
	for i, n := range s.n {
		if n == 0 {
			break
		}
		total += n * math.Pow(th, s.e[i])
	}
	return total
}

// slopes returns the first and second derivative of the series by th.
func (s *series) slopes(th float64) (first, second float64) {
	for i, n := range s.n {
		if n == 0 {
			break
		}
		e := s.e[i]
		term := n * e * math.Pow(th, e-1)
		first += term
		second += term * (e - 1) / th
	}
	return first, second
}

// polynomial returns c0 + c1 t + c2 t^2 + ...
func polynomial(c *[5]float64, t float64) float64 {
	return c[0] + t*(c[1]+t*(c[2]+t*(c[3]+t*c[4])))
}

// saturationKPa is within 0.009 % (propane), 0.021 % (n-butane), 0.009 % (isobutane).
func (s *substance) saturationKPa(tempC float64) float64 {
	tempK := tempC + zeroCInK
	return s.criticalKPa * math.Exp(s.criticalK/tempK*s.saturation.sum(1-tempK/s.criticalK))
}

// saturationSlopes returns the saturation pressure with its first and second
// derivative by temperature, exact for the correlation.
func (s *substance) saturationSlopes(tempC float64) (kPa, kPaPerK, kPaPerK2 float64) {
	tempK := tempC + zeroCInK
	th := 1 - tempK/s.criticalK
	lnRatio := s.criticalK / tempK * s.saturation.sum(th)
	first, second := s.saturation.slopes(th)

	// d(ln p)/dT, then its own slope: ln p = (Tc/T) S(th), dth/dT = -1/Tc.
	slope := -(lnRatio + first) / tempK
	bend := (second/s.criticalK - 2*slope) / tempK
	kPa = s.criticalKPa * math.Exp(lnRatio)
	return kPa, kPa * slope, kPa * (slope*slope + bend)
}

// liquidKgPerM3 is within 0.004 % on the saturation line.
func (s *substance) liquidKgPerM3(tempC float64) float64 {
	th := 1 - (tempC+zeroCInK)/s.criticalK
	return s.criticalKgPerM3 * (1 + s.liquid.sum(th))
}

// liquidSlope returns the saturated liquid's density and the change of its specific
// volume with temperature along the saturation line.
func (s *substance) liquidSlope(tempC float64) (kgPerM3, m3PerKgK float64) {
	th := 1 - (tempC+zeroCInK)/s.criticalK
	kgPerM3 = s.criticalKgPerM3 * (1 + s.liquid.sum(th))
	first, _ := s.liquid.slopes(th)
	return kgPerM3, s.criticalKgPerM3 * first / s.criticalK / (kgPerM3 * kgPerM3)
}

// vapourKgPerM3 is within 0.025 / 0.029 / 0.016 % on the saturation line.
func (s *substance) vapourKgPerM3(tempC float64) float64 {
	tempK := tempC + zeroCInK
	sum := s.vapour.sum(1 - tempK/s.criticalK)
	if s.vapourByTcT {
		sum *= s.criticalK / tempK
	}
	return s.criticalKgPerM3 * math.Exp(sum)
}

// latentKJPerKg is Clapeyron's T (dp/dT) (1/rho_v - 1/rho_l), within 0.033 %.
func (s *substance) latentKJPerKg(tempC float64) float64 {
	_, kPaPerK, _ := s.saturationSlopes(tempC)
	return (tempC + zeroCInK) * kPaPerK * (1/s.vapourKgPerM3(tempC) - 1/s.liquidKgPerM3(tempC))
}

// substances is data, indexed by Substance and never written. Sources: coefficients of
// propane from Lemmon, McLinden, Wagner 2009 and of the butanes from Buecker, Wagner
// 2006 (ancillary equations); heating values from the ATcT 1.112 enthalpies of
// formation at 25 C; flammable limits from NFPA 497-2008 and IEC 60079-20-1:2010.
var substances = [...]substance{
	Propane: {
		molarGPerMol: 44.0956, criticalK: 369.89, criticalKPa: 4251.2, criticalKgPerM3: 220.4781,
		saturation: series{
			n: [6]float64{-6.7722, 1.6938, -1.3341, -3.1876, 0.94937},
			e: [6]float64{1, 1.5, 2.2, 4.8, 6.2},
		},
		liquid: series{
			n: [6]float64{1.82205, 0.65802, 0.21109, 0.083973},
			e: [6]float64{0.345, 0.74, 2.6, 7.2},
		},
		vapour: series{
			n: [6]float64{-2.4887, -5.1069, -12.174, -30.495, -52.192, -134.89},
			e: [6]float64{0.3785, 1.07, 2.7, 5.5, 10, 20},
		},
		liquidCp:     [5]float64{2.49503, 7.31281e-3, 4.00407e-5, 5.8728e-7, 9.57632e-9},
		vapourCp:     [5]float64{1.74152, 8.72405e-3, 4.86350e-5, 9.18815e-7, 1.46595e-8},
		enthalpy:     enthalpy{236.857, 60.7177, 47.1947, -6.82023, -18.1632, -8.4693},
		grossMJPerKg: 50.330, netMJPerKg: 46.338,
		flammablePctVol: [2]limits{{2.1, 9.5}, {1.7, 10.9}},
	},
	NButane: {
		molarGPerMol: 58.1222, criticalK: 425.125, criticalKPa: 3796, criticalKgPerM3: 228,
		saturation: series{
			n: [6]float64{-7.17616903, 2.53635336, -2.07532869, -2.82241113},
			e: [6]float64{1, 1.5, 2, 4.5},
		},
		liquid: series{
			n: [6]float64{1.97874515, 0.856799510, -0.341871887, 0.304337558},
			e: [6]float64{0.345, 1, 1.5, 3},
		},
		vapour: series{
			n: [6]float64{-2.07770057, -3.08362490, -0.485645266, -3.83167519},
			e: [6]float64{0.345, 5.0 / 6, 19.0 / 6, 25.0 / 6},
		},
		vapourByTcT:  true,
		liquidCp:     [5]float64{2.31100, 4.74212e-3, 2.01927e-5},
		vapourCp:     [5]float64{1.64263, 5.77903e-3, 2.19284e-5},
		enthalpy:     enthalpy{241.040, 72.9252, 41.1519, -7.9722, -31.655, -17.3701},
		grossMJPerKg: 49.502, netMJPerKg: 45.717,
		flammablePctVol: [2]limits{{1.9, 8.5}, {1.4, 9.3}},
	},
	Isobutane: {
		molarGPerMol: 58.1222, criticalK: 407.81, criticalKPa: 3629, criticalKgPerM3: 225.5,
		saturation: series{
			n: [6]float64{-6.85093103, 1.36543198, -1.32542691, -2.56190994},
			e: [6]float64{1, 1.5, 2.5, 4.5},
		},
		liquid: series{
			n: [6]float64{2.04025104, 0.850874089, -0.479052281, 0.348201252},
			e: [6]float64{0.355, 1, 4.0 / 3, 7.0 / 3},
		},
		vapour: series{
			n: [6]float64{-2.12933323, -2.93790085, -0.89441086, -3.46343707},
			e: [6]float64{0.355, 5.0 / 6, 19.0 / 6, 13.0 / 3},
		},
		vapourByTcT:  true,
		liquidCp:     [5]float64{2.28081, 5.54898e-3, 2.26738e-5},
		vapourCp:     [5]float64{1.61679, 6.64657e-3, 2.70621e-5},
		enthalpy:     enthalpy{169.043, 121.062, 29.8978, -8.30328, -24.878, -14.927},
		grossMJPerKg: 49.339, netMJPerKg: 45.553,
		flammablePctVol: [2]limits{{1.8, 8.4}, {1.3, 9.8}},
	},
}
