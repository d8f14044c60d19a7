package forecast

import (
	"os"
	"strconv"
)

func env(name string, v float64) float64 {
	if s := os.Getenv(name); s != "" {
		v, _ = strconv.ParseFloat(s, 64)
	}
	return v
}

var (
	classWeight = env("CW", 1)
	recency     = env("RE", 0.25)
	drift       = env("DR", 0.05)
	surprise    = env("SU", 2.5)
	unsettled   = env("UN", 0.3)
	oldLevel    = env("OL", 0)
	timing      = env("TI", 24)
	shiftBy     = env("SB", 1)
	shiftMost   = env("SM", 90)
	widen       = env("WI", 1)
	oddLengths  = []int{1, 2, 3, 6, 8}
	oddLimits   = []float64{env("O1", 9), env("O2", 1.6), env("O3", 1.5), env("O6", 1.4), env("O8", 9)}
)
