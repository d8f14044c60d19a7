package meter

import (
	"encoding/base64"
	"encoding/json"
	"math"
	"math/rand/v2"
	"reflect"
	"slices"
	"testing"
	"unsafe"

	"pgregory.net/rapid"
)

// drawMarks gives marks in order, of the kinds a rig tells and of kinds none ever will.
func drawMarks(t *rapid.T, n int, wild bool) []Mark {
	gaps := rapid.SampledFrom([][]int64{{60_000}, {60_000, 60_000, 60_000, 172_800_000}, {1, 61_007, 300_000}, {1 << 20, 3}}).Draw(t, "gaps")
	gains := rapid.SampledFrom([][]int64{{0}, {60}, {0, 60, 120, 600}, {1, 77_000, 3}, {-5, 0, 9}}).Draw(t, "gains")
	at := rapid.SampledFrom([]int64{0, 1_700_000_000_000, -5, math.MinInt64}).Draw(t, "from")
	m := Mark{At: at, Value: rapid.Int64Range(0, MaxValue).Draw(t, "value")}
	out := make([]Mark, 0, n)
	for range n {
		out = append(out, m)
		m.At += rapid.SampledFrom(gaps).Draw(t, "gap")
		m.Value += rapid.SampledFrom(gains).Draw(t, "gain")
		m.Thin = rapid.SampledFrom([]int8{0, 0, 1, 2, 2, 2}).Draw(t, "thin")
		switch rapid.IntRange(0, 60).Draw(t, "event") {
		case 0:
			m.Epoch++
			m.At -= rapid.Int64Range(0, 1).Draw(t, "at the swap") * (m.At - out[len(out)-1].At)
		case 1:
			if wild {
				m.Value = rapid.Int64().Draw(t, "any value")
			}
		case 2:
			if wild && m.At < math.MaxInt64/2 {
				m.At += rapid.Int64Range(0, math.MaxInt64/2).Draw(t, "any gap") / int64(n)
				m.Epoch += rapid.Int32Range(0, math.MaxInt32/1000).Draw(t, "any epochs")
			}
		}
	}
	return out
}

func all(p *Packed) []Mark { return p.read(nil, 0, p.Len()) }

// checkPacked compares what is packed with what was put in, and with its own copy through JSON.
func checkPacked(t *rapid.T, p *Packed, want []Mark) {
	t.Helper()
	if got := all(p); !slices.Equal(got, want) {
		t.Fatalf("packed and unpacked\n%v\nis\n%v", want, got)
	}
	size := 0
	for b := range p.index {
		var c cursor
		n := p.begin(&c, b)
		if n < 1 || n > blockLen || int(p.index[b].first) != size {
			t.Fatalf("block %d begins at %d with %d marks", b, p.index[b].first, n)
		}
		size += n
	}
	text, err := p.MarshalText()
	if err != nil {
		t.Fatal(err)
	}
	var back Packed
	if err := back.UnmarshalText(text); err != nil {
		t.Fatalf("%v: %s", err, text)
	}
	if !reflect.DeepEqual(*p, back) {
		t.Fatalf("%+v came back as %+v", *p, back)
	}
}

func TestWhatIsPackedComesBackAndIsFound(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		marks := drawMarks(t, rapid.SampledFrom([]int{1, 2, 5, 127, 128, 129, 300}).Draw(t, "marks"), rapid.Bool().Draw(t, "wild"))
		var p Packed
		for rest := marks; len(rest) > 0; {
			n := min(rapid.SampledFrom([]int{1, 7, 64, 128, 500}).Draw(t, "at a time"), len(rest))
			p.splice(p.Len(), p.Len(), rest[:n])
			rest = rest[n:]
		}
		checkPacked(t, &p, marks)
		for range 10 {
			i := rapid.IntRange(0, len(marks)-1).Draw(t, "mark")
			j := rapid.IntRange(i, len(marks)).Draw(t, "to")
			if got := p.mark(i); got != marks[i] {
				t.Fatalf("mark %d is %+v, want %+v", i, got, marks[i])
			}
			if got := p.read(nil, i, j); !slices.Equal(got, marks[i:j]) {
				t.Fatalf("marks %d to %d are %+v", i, j, got)
			}
			at := marks[i].At + rapid.Int64Range(0, 2).Draw(t, "beside")
			e := edgeAfter(at)
			if rapid.Bool().Draw(t, "of an epoch") {
				e = edgeOf(int(marks[i].Epoch), at)
			}
			want := slices.IndexFunc(marks, func(m Mark) bool { return e.passes(m.At, m.Epoch) })
			if want < 0 {
				want = len(marks)
			}
			got, left, right := p.find(e)
			if got != want || (got > 0 && left != marks[got-1]) || (got < len(marks) && right != marks[got]) {
				t.Fatalf("edge %+v is found at %d between %+v and %+v, want %d", e, got, left, right, want)
			}
		}
	})
}

func TestPackedReadingsAreReplacedAsInAPlainSlice(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		marks := drawMarks(t, 500, rapid.Bool().Draw(t, "wild"))
		// The even ones first, of the odd ones some come late.
		var plain []Mark
		for i := 0; i < len(marks); i += 2 {
			plain = append(plain, marks[i])
		}
		var p Packed
		p.splice(0, 0, plain)
		for range rapid.IntRange(1, 60).Draw(t, "changes") {
			i := rapid.IntRange(0, len(plain)).Draw(t, "from")
			j := min(i+rapid.SampledFrom([]int{0, 0, 0, 1, 1, 2, 70, 300}).Draw(t, "out"), len(plain))
			var with []Mark
			lo, hi := 0, len(marks)
			if i > 0 {
				lo, _ = slices.BinarySearchFunc(marks, plain[i-1], compare)
				lo++
			}
			if j < len(plain) {
				hi, _ = slices.BinarySearchFunc(marks, plain[j], compare)
			}
			with = marks[lo:min(hi, lo+rapid.SampledFrom([]int{0, 1, 1, 5, 200}).Draw(t, "in"))]
			before := p.clone()
			old := slices.Clone(plain)
			plain = slices.Replace(plain, i, j, with...)
			p.splice(i, j, with)
			if !slices.Equal(all(&before), old) {
				t.Fatal("a copy moved with its original")
			}
			checkPacked(t, &p, plain)
			if len(plain) == 0 {
				return
			}
		}
	})
}

func compare(a, b Mark) int {
	switch {
	case a == b:
		return 0
	case a.before(b):
		return -1
	}
	return 1
}

func TestTotalsAreTheSameBeforeAndAfterPacking(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		marks := drawMarks(t, rapid.SampledFrom([]int{1, 64, 128, 400}).Draw(t, "marks"), false)
		loose := New(Area, Point{Value: 7})
		loose.Kept = marks
		for e := int32(0); e < marks[len(marks)-1].Epoch; e++ {
			i := slices.IndexFunc(marks, func(m Mark) bool { return m.Epoch > e })
			loose.Epochs = append(loose.Epochs, Epoch{At: marks[i].At, Start: marks[i].Value})
		}
		loose.rebase()
		packed := loose.Clone()
		packed.Near = rapid.IntRange(0, len(marks)).Draw(t, "packed")
		packed.pack(packed.Near)
		if packed.LastGain() != loose.LastGain() || packed.Len() != loose.Len() {
			t.Fatalf("last gain %d and length %d, loose %d and %d", packed.LastGain(), packed.Len(), loose.LastGain(), loose.Len())
		}
		first, last := marks[0].At, marks[len(marks)-1].At
		if !slices.Equal(packed.Points(first, last), loose.Points(first, last)) {
			t.Fatal("packed points differ from loose ones")
		}
		for range 30 {
			i := rapid.IntRange(0, len(marks)-1).Draw(t, "near")
			at := marks[i].At + rapid.Int64Range(-2, 40_000).Draw(t, "beside")
			if got, want := packed.TotalAt(at), loose.TotalAt(at); got != want {
				t.Fatalf("packed total at %d is %d, loose %d", at, got, want)
			}
			p := Point{at, marks[i].Value + rapid.Int64Range(-2, 2).Draw(t, "more")}
			if got, want := packed.Judge(p, Limits{MaxGainPerHour: 3600}, nil), loose.Judge(p, Limits{MaxGainPerHour: 3600}, nil); got != want {
				t.Fatalf("%+v is judged %v packed, %v loose", p, got, want)
			}
		}
	})
}

func TestKeptReadingsTakeFewBytesAndLittleRoomUnused(t *testing.T) {
	rng := rand.New(rand.NewPCG(1, 2))
	s := New(Area, Point{})
	at, value := int64(1_700_000_000_000), int64(0)
	for i := range 60_000 {
		if at += 60_000; i%400 == 0 {
			at += 40 * 3_600_000
		}
		value += rng.Int64N(7000)
		s.Insert(Point{at, value})
		if len(s.Kept) > tailLen || cap(s.Kept) > max(tailLen, 2*len(s.Kept)) {
			t.Fatalf("%d readings are not packed, with room for %d", len(s.Kept), cap(s.Kept))
		}
	}
	if n := s.Packed.Len(); n < 10_000 {
		t.Fatalf("only %d packed: the test shows nothing", n)
	}
	// Of each reading the value has some 14 bits of chance, the time and Thin 3; and two bits are to spare.
	const most = 19.0 / 8
	perMark := float64(len(s.Packed.data)) / float64(s.Packed.Len())
	room := float64(cap(s.Packed.data)+int(unsafe.Sizeof(block{}))*cap(s.Packed.index)) / float64(s.Packed.Len())
	t.Logf("%d packed in %.2f bytes each, with the index and unused room %.2f", s.Packed.Len(), perMark, room)
	if perMark > most || room > most*1.15+0.3 {
		t.Errorf("packed in %.2f bytes each, with the index and unused room %.2f", perMark, room)
	}
}

func TestADamagedPackIsRefused(t *testing.T) {
	marks := make([]Mark, 200)
	for i := range marks {
		marks[i] = Mark{At: int64(i+1) * 60_000, Value: int64(i * i * 31 % 977)}
	}
	s := New(Area, Point{})
	s.Packed.splice(0, 0, marks)
	good, err := json.Marshal(s)
	if err != nil {
		t.Fatal(err)
	}
	if s = new(Series); json.Unmarshal(good, s) != nil || s.Check() != nil {
		t.Fatal("undamaged it is refused")
	}
	raw := rawOf(&s.Packed)
	whole := map[int]bool{}
	for rest := raw; len(rest) > 0; {
		whole[len(raw)-len(rest)] = true
		h, body, _ := headerOf(rest)
		rest = body[h.body:]
	}
	for n := range raw {
		if err := new(Packed).UnmarshalText(base64Of(raw[:n])); (err == nil) != whole[n] {
			t.Errorf("cut off after %d of %d bytes: %v", n, len(raw), err)
		}
	}
	if len(whole) != 2 || new(Packed).UnmarshalText([]byte("no base64")) == nil {
		t.Errorf("%d blocks, want 2; or what is no base64 is accepted", len(whole))
	}
	for name, damage := range map[string]func(*Series){
		"an epoch that is not":          func(s *Series) { s.Packed.index[1].epoch = 1 },
		"a raw reading before a packed": func(s *Series) { s.Kept = Trace{{At: 60_000}} },
		"more settled than packed":      func(s *Series) { s.Settled = 201 },
		"more near than loose":          func(s *Series) { s.Near = 1 },
	} {
		c := s.Clone()
		damage(c)
		if c.Check() == nil {
			t.Errorf("%s: accepted", name)
		}
	}
	long := s.Packed.clone()
	long.data = append(long.data, 0)
	if text, _ := long.MarshalText(); new(Packed).UnmarshalText(text) == nil {
		t.Error("a block with bytes to spare is accepted")
	}
	swapped := s.Packed.clone()
	swapped.index[0].at = marks[199].At
	text, _ := swapped.MarshalText()
	if new(Packed).UnmarshalText(text) == nil {
		t.Error("blocks out of order are accepted")
	}
}

func FuzzPacked(f *testing.F) {
	var p Packed
	marks := make([]Mark, 300)
	for i := range marks {
		marks[i] = Mark{At: int64(i+1) * 60_000, Value: int64(i * 31), Epoch: int32(i / 150), Thin: int8(i % 3)}
	}
	for _, n := range []int{1, 2, 40, 300} {
		p = Packed{}
		p.splice(0, 0, marks[:n])
		f.Add(rawOf(&p))
	}
	f.Fuzz(func(t *testing.T, raw []byte) {
		s := New(Hours, Point{})
		s.Epochs = append(s.Epochs, Epoch{At: 150*60_000 + 1})
		if s.Packed.UnmarshalText(base64Of(raw)) != nil || s.Check() != nil {
			return
		}
		before := all(&s.Packed)
		for i := 1; i < len(before); i++ {
			if !before[i-1].before(before[i]) {
				t.Fatalf("accepted out of order at %d", i)
			}
		}
		again, err := s.Packed.MarshalText()
		if err != nil {
			t.Fatal(err)
		}
		var back Packed
		if err := back.UnmarshalText(again); err != nil || !slices.Equal(all(&back), before) {
			t.Fatalf("what was accepted is not when written again: %v", err)
		}
		// Whatever passes can be asked and changed.
		if len(before) > 0 {
			m := before[len(before)/2]
			s.TotalAt(m.At)
			s.Judge(Point{m.At, m.Value}, Limits{MaxGainPerHour: 3600}, nil)
			s.Insert(Point{m.At + 1, m.Value + 1000})
			s.Void(m.At)
		}
		s.Swap(5, nil, 5)
		s.Unswap(5)
		s.LastGain()
		if err := s.Check(); err != nil {
			t.Fatal(err)
		}
	})
}

func base64Of(raw []byte) []byte { return base64.StdEncoding.AppendEncode(nil, raw) }

func rawOf(p *Packed) []byte {
	text, _ := p.MarshalText()
	raw, err := base64.StdEncoding.AppendDecode(nil, text)
	if err != nil {
		panic(err)
	}
	return raw
}
