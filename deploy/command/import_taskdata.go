package command

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"time"

	"rigledger/api/exchange/fleetxml"
	"rigledger/api/exchange/receive"
	"rigledger/api/exchange/taskdata"
	"rigledger/fleet"
)

// everyRig is the caller of the command line: it sees the whole fleet.
func everyRig() receive.Caller {
	return receive.Caller{Name: operator(), Sees: func(*fleet.Rig) bool { return true }}
}

// ImportTaskData takes the lifetime counters of ISO 11783-10 task data, a zip or
// a folder, as readings, and says of each device what was taken, passed over
// and held. All is read and understood before anything is written, and a name
// in devices (<serial number or NAME>:<rig>) that leads to no rig refuses the
// whole. The same file again changes nothing.
func ImportTaskData(ctx context.Context, l Ledger, path string, devices []string, out io.Writer) error {
	named, err := receive.ParseRigs(devices)
	if err != nil {
		return fmt.Errorf("--device: %w", err)
	}
	report, err := readTaskData(path, l.Zone)
	if err != nil {
		return fmt.Errorf("%s: %w", path, err)
	}
	f, done, err := l.fleet(ctx)
	if err != nil {
		return err
	}
	defer done()
	var lot *receive.Lot
	var unknown []error
	f.View(func(s *fleet.State) {
		for device, rig := range named {
			if s.Rigs[rig] == nil {
				unknown = append(unknown, fmt.Errorf("--device %s:%s: there is no rig %q", device, rig, rig))
			}
		}
		lot = receive.TaskData(s, report, named, everyRig())
	})
	if len(unknown) > 0 {
		return errors.Join(append(unknown, errRefusedRows)...)
	}
	return takeLot(ctx, f, lot, path, out)
}

func readTaskData(path string, zone *time.Location) (*taskdata.Report, error) {
	info, err := os.Stat(path)
	if err != nil {
		return nil, err
	}
	if info.IsDir() {
		root, err := os.OpenRoot(path)
		if err != nil {
			return nil, err
		}
		defer root.Close()
		return taskdata.Read(root.FS(), zone)
	}
	file, err := openBounded(path)
	if err != nil {
		return nil, err
	}
	defer file.Close()
	return taskdata.ReadZip(file, info.Size(), zone, taskdata.DefaultLimits)
}

// ImportFleetXML takes readings from fleet data in the shape of ISO/TS 15143-3,
// and says of each machine what was taken, passed over and held.
func ImportFleetXML(ctx context.Context, l Ledger, path string, out io.Writer) error {
	file, err := openBounded(path)
	if err != nil {
		return err
	}
	defer file.Close()
	snap, problems, err := fleetxml.Read(file)
	if err != nil {
		return fmt.Errorf("%s: %w", path, err)
	}
	f, done, err := l.fleet(ctx)
	if err != nil {
		return err
	}
	defer done()
	var lot *receive.Lot
	f.View(func(s *fleet.State) { lot = receive.FleetData(s, snap, problems, everyRig()) })
	return takeLot(ctx, f, lot, path, out)
}

func takeLot(ctx context.Context, f *fleet.Fleet, lot *receive.Lot, path string, out io.Writer) error {
	if err := lot.Take(ctx, f, everyRig()); err != nil {
		return fmt.Errorf("%s: %w; import it again, what is in will not be counted twice", path, err)
	}
	var taken, known, held int
	for _, d := range lot.Devices {
		name := d.Device
		if d.Serial != "" {
			name += ", serial " + d.Serial
		}
		rig := "no rig"
		if d.Rig != "" {
			rig = "rig " + d.Rig
		}
		fmt.Fprintf(out, "device %s: %s: %d readings taken, %d known before, %d held in quarantine\n", name, rig, d.Taken, d.Known, d.HeldCount)
		for _, h := range d.Held {
			fmt.Fprintf(out, "  held as %s: %s: %s\n", h.Quarantine, h.Reason, h.Detail)
		}
		printSkipped(out, d.Skipped)
		for _, t := range d.Totals {
			suspect := ""
			if t.Suspect != "" {
				suspect = " (suspect: " + t.Suspect + ")"
			}
			fmt.Fprintf(out, "  task %s: %s %d %s%s\n", t.Task, t.Measure, t.Value, t.Unit, suspect)
		}
		taken, known, held = taken+d.Taken, known+d.Known, held+d.HeldCount
	}
	printSkipped(out, lot.Skipped)
	fmt.Fprintf(out, "%d readings taken, %d known before, %d held in quarantine\n", taken, known, held)
	return nil
}

func printSkipped(out io.Writer, skipped []receive.Skip) {
	for _, s := range skipped {
		times := ""
		if s.Count > 1 {
			times = fmt.Sprintf(" (%d times)", s.Count)
		}
		fmt.Fprintf(out, "  skipped: %s: %s%s\n", s.What, s.Why, times)
	}
}
