// Package meter is the arithmetic of counters: what an hour meter, a hectare
// counter or an odometer says over the years, through swaps, rollovers, late
// and repeated readings.
//
// It owns the units of the counters, the series of one meter with its epochs
// (one epoch per physical counter), the judgement whether a reading is
// plausible, totals and usage between any two times, calendar buckets of usage
// and the two estimates for a rig that lacks a meter. It never reads a clock,
// logs, stores, or decides what happens to a refused reading.
//
// # Totals
//
// The total of a meter begins at the value it had when it came under the
// ledger's eye. Within an epoch the total moves with the counter; a swap closes
// an epoch and the gains of the next counter add on. Between two neighbouring
// readings a total is interpolated linearly; before the first it is the start
// value, after the last it stays.
//
// A reading belongs to the epoch that covers its time: after the swap that
// opened it, up to and including the instant of the swap that closes it. A
// reading at the very millisecond of a swap is of the old counter when its
// value can be (not below the reading before, not above the value the counter
// was taken off with), else of the new one.
//
// # Thinning
//
// The ledger keeps every reading; a series keeps fewer, in three stretches:
//
//   - raw: the newest 128 to 255 readings, all kept. Late readings, repeats, swaps and
//     voids in here are exact.
//   - near: up to 4,095 kept readings before those. A reading is left out only if
//     the line between its kept neighbours passes it within a quarter of the
//     tolerance (the cone method: the cone narrows with every reading left out,
//     so each of them holds, not only the last) and the counter moved by at most
//     another quarter of the tolerance to either neighbour. Whatever legitimate
//     reading turns up late lies between two such neighbours, so it cannot
//     stand further than half the tolerance from the line: it is absorbed. The
//     bound therefore holds in any order of arrival, and does not add up.
//   - settled: all before. The cone alone, with the other half of the tolerance,
//     run once over what near had kept; a stretch that has been thinned at a level
//     is never thinned at that level again.
//
// So any total is within the tolerance (Quantity.Tolerance: 0.05 h, 0.05 ha) of the
// one that all readings would give. The first and last reading of every epoch
// are kept, so Total is exact. No stretch is drawn longer than a day while there
// are readings in it.
//
// What the bound does not cover, because the readings that would be needed
// are no longer here, each confined to the stretch (at most a day, or one gap
// without readings) on either side of the reading in question:
//
//   - a late reading in a settled stretch that lies off its line by more than the
//     tolerance is kept, and bends the line for the left-out readings beside it;
//   - voiding a kept reading beyond the raw stretch joins its kept neighbours by a line;
//   - a swap entered late into a thinned stretch without the old counter's last value
//     takes the interpolated one.
//
// Voiding a reading that was left out changes nothing, and needs to change nothing: the
// readings beside it are within the same bound of the same line.
//
// # Packing
//
// Three seasons of a reading a minute leave some 8,000 kept readings of an hour meter and 18,000 of a hectare
// counter, so all settled readings and all but the newest 64 or so of the near ones are kept packed: blocks of up to 128, each reading as its differences from the one before in few bits
// (see block.go), some three bytes instead of 24. Packing loses nothing and has no say in what is kept: every
// answer is the same as if nothing were packed. To look a reading up, the index is searched and one block
// read; to put one in late, take one out or change one, that block is written anew.
package meter
