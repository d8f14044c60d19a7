package meter

import "math"

// EstimateArea is the area in m² worked over a distance in m with a width in mm: for a rig without a
// hectare counter. It takes no account of overlap, headlands or driving with the boom shut, so it is high.
// 0 for negative input.
func EstimateArea(distanceM, widthMM int64) int64 {
	return rounded(float64(distanceM) * float64(widthMM) / 1000)
}

// EstimateHours is the time in seconds in which a rig of a field capacity in ha/h works an area in m²: for
// a rig without an hour meter. 0 when either is not above zero.
func EstimateHours(areaM2 int64, haPerHour float64) int64 {
	if !(haPerHour > 0) {
		return 0
	}
	return rounded(float64(areaM2) / 10_000 / haPerHour * 3600)
}

// FieldCapacity is the effective field capacity in ha/h: v·w·E/10, with the speed in km/h, the working
// width in m and the field efficiency as a fraction (ASABE EP496.3).
func FieldCapacity(speedKMH, widthM, efficiency float64) float64 {
	return speedKMH * widthM * efficiency / 10
}

// rounded is v to the nearest integer, held to 0..MaxValue.
func rounded(v float64) int64 {
	switch {
	case !(v > 0):
		return 0
	case v > float64(MaxValue):
		return MaxValue
	}
	return int64(math.Round(v))
}
