package taskdata

import (
	"errors"
	"fmt"
	"io"
	"io/fs"
	"math"
	"strconv"
	"strings"
	"time"
)

// ReadZip reads zipped task data. zone is the zone of the terminal's clock; lim bounds what is unpacked
// (zero fields: DefaultLimits). Errors are ErrRefused, ErrNotTaskData and ErrZone; a single log or value
// that cannot be used is in Report.Skipped instead.
func ReadZip(r io.ReaderAt, size int64, zone *time.Location, lim Limits) (*Report, error) {
	lim = lim.filled()
	f, err := ofZip(r, size, lim)
	if err != nil {
		return nil, err
	}
	return read(f, zone, lim)
}

// Read reads task data from a folder: the root of fsys or a folder in it. For a folder on disk that others can
// write to, give the FS of an os.Root, which no link leads out of.
func Read(fsys fs.FS, zone *time.Location) (*Report, error) {
	return ReadWithin(fsys, zone, Limits{})
}

// ReadWithin is Read with other limits.
func ReadWithin(fsys fs.FS, zone *time.Location, lim Limits) (*Report, error) {
	lim = lim.filled()
	f, err := ofFS(fsys, lim)
	if err != nil {
		return nil, err
	}
	return read(f, zone, lim)
}

// reading is one file set while it is read.
type reading struct {
	folder  *folder
	lim     Limits
	clock   clock
	doc     document
	skips   skips
	samples samples
	order   int
	logs    int
	records int64
	spans   []span // by task
	touched []map[*device]bool
	sources [][]origin // by task
}

// span is the time a task is seen to run. first 0: never.
type span struct{ first, last int64 }

func (s *span) stretch(at int64) {
	if s.first == 0 || at < s.first {
		s.first = at
	}
	s.last = max(s.last, at)
}

// origin is a log that was read: which devices it spoke of and its content's fingerprint.
type origin struct {
	log     string
	records int
	print   string
	devices map[*device]bool
}

func read(f *folder, zone *time.Location, lim Limits) (*Report, error) {
	r := &reading{folder: f, lim: lim, clock: clock{zone}, samples: samples{},
		doc: document{elements: map[string]*element{}, fields: map[string]string{}}}
	if err := r.documents(); err != nil {
		return nil, err
	}
	r.spans = make([]span, len(r.doc.tasks))
	r.sources = make([][]origin, len(r.doc.tasks))
	r.touched = make([]map[*device]bool, len(r.doc.tasks))
	for i, t := range r.doc.tasks {
		if err := r.intervals(i, t); err != nil {
			return nil, err
		}
		read := map[string]bool{}
		for _, name := range t.logs {
			if read[strings.ToUpper(name)] {
				r.skips.add("log "+name, "named twice in task %s", t.id)
				continue
			}
			read[strings.ToUpper(name)] = true
			if err := r.log(i, t, name); errors.Is(err, ErrRefused) || errors.Is(err, ErrZone) {
				return nil, err
			} else if err != nil {
				r.skips.add("log "+name, "%v", err)
			}
		}
	}
	return r.report(), nil
}

// documents reads TASKDATA.XML and the files it refers to.
func (r *reading) documents() error {
	data, err := r.folder.bytes("TASKDATA.XML")
	if err != nil {
		return err
	}
	if err := r.doc.parse("TASKDATA.XML", data, r.lim.XML, &r.skips); err != nil {
		return err
	}
	external := r.doc.external
	seen := map[string]bool{}
	for _, name := range external {
		if !fileName.MatchString(name) || seen[strings.ToUpper(name)] {
			r.skips.add("file", "reference %q is not a file name of task data, or is made twice", name)
			continue
		}
		seen[strings.ToUpper(name)] = true
		data, err := r.folder.bytes(name + ".XML")
		if errors.Is(err, errMissing) {
			r.skips.add("file "+name+".XML", "named but missing")
			continue
		}
		if err != nil {
			return err
		}
		if err := r.doc.parse(name+".XML", data, r.lim.XML, &r.skips); err != nil {
			return err
		}
	}
	return nil
}

// planned is TIM type 1: what is to be done, not what was (ISO 11783-10 annex D, TIM D; 1 is from memory).
const planned = "1"

// intervals takes the values that the terminal summed up at the end of each TIM.
func (r *reading) intervals(index int, t *task) error {
	where := "task " + t.id
	for _, i := range t.times {
		if i.kind == planned {
			if len(i.values) > 0 {
				r.skips.add(where, "a planned interval is not work done")
			}
			continue
		}
		start, err := r.clock.parse(i.start)
		if errors.Is(err, ErrZone) {
			return fmt.Errorf("%s, TIM A %q: %w", where, i.start, err)
		}
		if err != nil || start < earliest {
			r.skips.add(where, "an interval without a usable start time")
			continue
		}
		end := start
		stop, err := r.clock.parse(i.stop)
		if errors.Is(err, ErrZone) {
			return fmt.Errorf("%s, TIM B %q: %w", where, i.stop, err)
		}
		if err == nil && stop >= start {
			end = stop
		} else if seconds, err := strconv.ParseInt(i.duration, 10, 64); err == nil && seconds >= 0 && seconds < math.MaxUint32 {
			end = start + seconds*1000
		}
		r.spans[index].stretch(start)
		r.spans[index].stretch(end)
		for n := range i.values {
			v := &i.values[n]
			raw, err := strconv.ParseInt(v.raw, 10, 32)
			ddi, err2 := strconv.ParseUint(v.ddi, 16, 16)
			if err != nil || err2 != nil {
				r.skips.add(where, "a DLV whose DDI or value is not a number")
				continue
			}
			if k, ok := r.slot(where, index, uint16(ddi), v.element); ok {
				v.on = k.element
				r.touch(index, k.element.device)
				r.take(r.samples, where, k, sample{at: end, raw: raw, log: -1})
			}
		}
	}
	return nil
}

// slot is where a value goes, or not ok with the reason noted.
func (r *reading) slot(where string, index int, ddi uint16, id string) (slot, bool) {
	e, known := dictionary[ddi]
	if !known {
		r.skips.add(where, "%s", whyNot(ddi))
		return slot{}, false
	}
	el := r.doc.elements[id]
	if el == nil {
		r.skips.add(where, "DDI %d of element %q, which no device of the file has", ddi, id)
		return slot{}, false
	}
	if e.lifetime {
		index = -1
	}
	return slot{index, el, ddi}, true
}

// touch notes that a task has something of a device.
func (r *reading) touch(index int, d *device) {
	if r.touched[index] == nil {
		r.touched[index] = map[*device]bool{}
	}
	r.touched[index][d] = true
}

func (r *reading) take(into samples, where string, k slot, s sample) {
	if s.raw < 0 {
		r.skips.add(where, "a negative counter (DDI %d)", k.ddi)
		return
	}
	s.order = r.order
	r.order++
	into.put(k, s)
}

// log reads one TLG of a task: all of it or, on an error, nothing.
func (r *reading) log(index int, t *task, name string) error {
	if !fileName.MatchString(name) {
		return fmt.Errorf("%q is not the name of a log", name)
	}
	text, err := r.folder.bytes(name + ".XML")
	if err != nil {
		return err
	}
	tmpl, err := ParseTemplate(text, r.lim.XML)
	if err != nil {
		return wrapXML(name+".XML", err)
	}
	bin, err := r.folder.bytes(name + ".BIN")
	if err != nil {
		return err
	}
	if r.clock.zone == nil && len(bin) > 0 {
		return fmt.Errorf("log %s: %w", name, ErrZone)
	}
	within, err := r.window(index, tmpl, bin)
	if err != nil {
		return err
	}
	l := logReader{reading: r, where: "log " + name, number: r.logs, window: within, taken: samples{},
		from: origin{log: name, print: fingerprint(string(text), string(bin)), devices: map[*device]bool{}}}
	for _, c := range tmpl.Values {
		l.columns(index, c)
	}
	left, err := tmpl.Scan(bin, l.row)
	if err != nil {
		return err
	}
	if left > 0 {
		r.skips.add(l.where, "the last record is cut off (%d bytes); the whole ones before it were taken", left)
	}
	r.logs++
	r.samples.merge(l.taken)
	if l.span.first != 0 {
		r.spans[index].stretch(l.span.first)
		r.spans[index].stretch(l.span.last)
	}
	r.sources[index] = append(r.sources[index], l.from)
	for d := range l.from.devices {
		r.touch(index, d)
	}
	return nil
}

// window is the time within which a row without a fix is believed: the task's intervals and the rows that have one, and
// a day on either side. All of time when there are neither.
func (r *reading) window(index int, tmpl *Template, bin []byte) (span, error) {
	w := r.spans[index]
	_, err := tmpl.Scan(bin, func(rec Record) error {
		if r.records++; r.records > r.lim.Records {
			return fmt.Errorf("more than %d records in the logs: %w", r.lim.Records, ErrRefused)
		}
		if at, ok := r.clock.row(rec.MS, rec.Days, 0); ok && rec.Fix {
			w.stretch(at)
		}
		return nil
	})
	if w.first == 0 {
		return span{0, math.MaxInt64}, err
	}
	return span{w.first - dayMS, w.last + dayMS}, err
}

// logReader takes the rows of one log.
type logReader struct {
	*reading
	where  string
	number int
	window span
	slots  []*slot
	span   span
	prior  int64
	taken  samples
	from   origin
}

func (l *logReader) columns(index int, c Column) {
	l.slots = append(l.slots, nil)
	switch {
	case !c.OK:
		l.skips.add(l.where, "a DLV of the template whose DDI is not a number")
	case c.Fixed:
		l.skips.add(l.where, "DDI %d with one value for the whole log: nothing counted", c.DDI)
	default:
		if k, ok := l.slot(l.where, index, c.DDI, c.Element); ok {
			l.slots[len(l.slots)-1] = &k
			l.from.devices[k.element.device] = true
		}
	}
}

func (l *logReader) row(rec Record) error {
	at, ok := l.clock.row(rec.MS, rec.Days, l.prior)
	if !ok || rec.Placed && !rec.Fix && (at < l.window.first || at > l.window.last) {
		l.skips.add(l.where, "a record with an absurd date, as receivers without a fix write")
		return nil
	}
	if !rec.Placed && (at < l.window.first || at > l.window.last) {
		l.skips.add(l.where, "a record more than a day away from its task")
		return nil
	}
	l.prior = at
	if utc, ok := satellite(rec.UTCMS, rec.UTCDays, at); ok {
		if apart := utc - at; apart > hourMS/12 || apart < -hourMS/12 {
			l.skips.add(l.where, "the clock is more than five minutes off the satellite's (zone?): the satellite's time was taken")
		}
		at = utc
	}
	first := l.from.records == 0
	l.from.records++
	l.span.stretch(at)
	for _, v := range rec.Values {
		if k := l.slots[v.Index]; k != nil {
			l.take(l.taken, l.where, *k, sample{at: at, raw: int64(v.Raw), log: l.number, carried: first, fix: rec.Fix, lat: rec.Lat, lon: rec.Lon})
		}
	}
	return nil
}
