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
	recency     = env("RE", 0.30)
	drift       = env("DR", 0.10)
	surprise    = env("SU", 2.5)
	unsettled   = env("UN", 0)
	timing = env("TI", 0)
	shiftBy = env("SB", 0)
	shiftMost = env("SM", 60)
	widen       = env("WI", 1)
	oddLengths = []int{2, 3, 6, 8}
	oddLimits = []float64{env("O2", 9), env("O3", 9), env("O6", 1.4), env("O8", 9)}
)
