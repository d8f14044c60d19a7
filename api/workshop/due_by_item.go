package workshop

import (
	"sync"

	"rigledger/fleet"
)

// dueByItem finds the due line of an open item. The fleet gives the same lines
// until the rig or the day changes; so long the index over them is good.
type dueByItem struct {
	rigs sync.Map // rig → *dueIndex
}

type dueIndex struct {
	lines []fleet.DueLine // held, so that no others can come to lie in their place
	at    map[string]*fleet.DueLine
}

func (d *dueByItem) of(rig string, lines []fleet.DueLine) map[string]*fleet.DueLine {
	if len(lines) == 0 {
		return nil
	}
	if kept, ok := d.rigs.Load(rig); ok {
		if k := kept.(*dueIndex); len(k.lines) == len(lines) && &k.lines[0] == &lines[0] {
			return k.at
		}
	}
	k := &dueIndex{lines: lines, at: make(map[string]*fleet.DueLine, len(lines))}
	for i := range lines {
		if lines[i].Item != "" {
			k.at[lines[i].Item] = &lines[i]
		}
	}
	d.rigs.Store(rig, k)
	return k.at
}
