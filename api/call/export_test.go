package call

// BurstFor is how many requests a token may make at once, in seconds' worth of its rate.
const BurstFor = burstFor
