package forecast

import "math"

// columns is how many normal numbers a future may need: one for the lasting level
// and one for each season.
const columns = 1 + mostSeasons

// normals holds the normal numbers of the futures. In each column every 1/99 of
// the distribution has exactly one number, in an order of its own: evenly spread, so
// that few futures do the work of many, and the same on every day and every machine.
var normals = func() (out [columns][paths]float64) {
	// Steps without a common factor with 99, apart from one another.
	steps := [columns]int{1, 38, 61, 17, 70, 25, 53, 86, 8, 46, 31, 94, 14}
	for c := range out {
		for i := range paths {
			rank := (i*steps[c] + c*7) % paths
			u := (float64(rank) + 0.5) / paths
			out[c][i] = math.Sqrt2 * math.Erfinv(2*u-1)
		}
	}
	return out
}()

func normal(column, number int) float64 { return normals[column][number] }

// mix scatters the bits of a number (the finaliser of SplitMix64: Steele, Lea,
// Flood, "Fast splittable pseudorandom number generators", 2014, from memory).
func mix(x uint64) uint64 {
	x += 0x9e3779b97f4a7c15
	x = (x ^ x>>30) * 0xbf58476d1ce4e5b9
	x = (x ^ x>>27) * 0x94d049bb133111eb
	return x ^ x>>31
}
