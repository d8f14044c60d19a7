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
	doubt       = env("DO", 0)
	timing = env("TI", 0)
	most = env("MO", 0.6)
	freshSpread = env("FS", 0.35)
	oddAt = env("OA", 1.8)
	shiftBy = env("SB", 0)
	shiftMost = env("SM", 60)
	oddWindows = int(env("OW", 6))
	widen       = env("WI", 1)
)
