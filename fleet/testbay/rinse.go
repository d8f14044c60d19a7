package testbay

import "math"

// mostPortions bounds a rinsing plan; nobody rinses a tank more often.
const mostPortions = 1000

// RinseConcentration gives c/c0 after rinsing a residual of residualL litres
// with waterL litres in n equal portions, each fully mixed and sprayed out to
// the same residual: (r/(r+V/n))^n.
func RinseConcentration(residualL, waterL float64, n int) (float64, error) {
	log, err := logDilution(residualL, waterL, n)
	if err != nil {
		return 0, err
	}
	return math.Exp(-log), nil
}

// DilutionFactor is the reciprocal of [RinseConcentration]: 81 means that the
// residual ends at 1/81 of the spray mix.
func DilutionFactor(residualL, waterL float64, n int) (float64, error) {
	log, err := logDilution(residualL, waterL, n)
	if err != nil {
		return 0, err
	}
	return math.Exp(log), nil
}

// logDilution is n·ln(1+V/(n·r)); kept as a logarithm so that no power
// overflows on the way.
func logDilution(residualL, waterL float64, n int) (float64, error) {
	if err := everyError(spanRinse.field("residual_l", residualL), spanRinse.field("water_l", waterL), portionCount(n)); err != nil {
		return 0, err
	}
	log := float64(n) * math.Log1p(waterL/(float64(n)*residualL))
	if log > math.Log(spanDilution.most) {
		return 0, refuse("residual_l", "%s l against %s l of water dilutes beyond 1 : %s: check the residual", number(residualL), number(waterL), number(spanDilution.most))
	}
	return log, nil
}

func portionCount(n int) error {
	if n < 1 || n > mostPortions {
		return refuse("portions", "%d is not between 1 and %d", n, mostPortions)
	}
	return nil
}

// PortionsFor gives the smallest number of equal portions of waterL litres that
// reaches the wanted dilution factor (100 for 1 : 100). Even endless portions
// reach only exp(V/r); a wish beyond that is refused.
func PortionsFor(residualL, waterL, wanted float64) (int, error) {
	if err := wantedDilution(wanted); err != nil {
		return 0, err
	}
	for n := 1; n <= mostPortions; n++ {
		log, err := logDilution(residualL, waterL, n)
		if err != nil {
			return 0, err
		}
		if atLeast(math.Exp(log), wanted) {
			return n, nil
		}
	}
	return 0, refuse("dilution", "%s l of water cannot dilute %s l by %s in up to %d portions (endless portions reach %s); take more water",
		number(waterL), number(residualL), number(wanted), mostPortions, number(math.Exp(waterL/residualL)))
}

// WaterForDilution gives the least litres of water, in n equal portions, that
// dilute residualL by the wanted factor: V = n·r·(D^(1/n) − 1).
func WaterForDilution(residualL, wanted float64, n int) (float64, error) {
	if err := everyError(spanRinse.field("residual_l", residualL), wantedDilution(wanted), portionCount(n)); err != nil {
		return 0, err
	}
	k := float64(n)
	return spanRinse.solved("water_l", k*residualL*math.Expm1(math.Log(wanted)/k))
}

func wantedDilution(wanted float64) error {
	if err := spanDilution.field("dilution", wanted); err != nil {
		return err
	}
	if wanted <= 1 {
		return refuse("dilution", "%s is no dilution: it must be above 1", number(wanted))
	}
	return nil
}
