package main

import (
	"bufio"
	"encoding/binary"
	"errors"
	"io"
	"math"
	"slices"
	"time"

	"rimeyard/internal/fleet"
	"rimeyard/internal/proving"
)

// codec writes a fleet to a stream or reads it back: each method does both, so that the two cannot differ. Numbers are little-endian
// and varints; words are told once and then by number. After the first error nothing more is done.
type codec struct {
	w       *bufio.Writer // nil: reading
	r       *bufio.Reader
	words   []string
	numbers map[string]int
	buf     [binary.MaxVarintLen64]byte
	err     error
}

var errBroken = errors.New("the kept fleet is broken")

func writeFleet(w io.Writer, f *proving.Fleet) error {
	c := &codec{w: bufio.NewWriterSize(w, 1<<20), numbers: map[string]int{}}
	c.fleet(f)
	return errors.Join(c.err, c.w.Flush())
}

func readFleet(r io.Reader) (*proving.Fleet, error) {
	c := &codec{r: bufio.NewReaderSize(r, 1<<20)}
	f := &proving.Fleet{}
	c.fleet(f)
	return f, c.err
}

func (c *codec) int(x *int64) {
	if c.err != nil {
		return
	}
	if c.w == nil {
		*x, c.err = binary.ReadVarint(c.r)
		return
	}
	_, c.err = c.w.Write(c.buf[:binary.PutVarint(c.buf[:], *x)])
}

func (c *codec) float(x *float64) {
	if c.err != nil {
		return
	}
	if c.w == nil {
		var b []byte
		if b, c.err = c.r.Peek(8); c.err == nil {
			*x = math.Float64frombits(binary.LittleEndian.Uint64(b))
			_, c.err = c.r.Discard(8)
		}
		return
	}
	binary.LittleEndian.PutUint64(c.buf[:8], math.Float64bits(*x))
	_, c.err = c.w.Write(c.buf[:8])
}

func integer[T ~int | ~int32 | ~int64](c *codec, x *T) {
	v := int64(*x)
	c.int(&v)
	*x = T(v)
}

func (c *codec) bool(x *bool) {
	var v int64
	if *x {
		v = 1
	}
	c.int(&v)
	*x = v != 0
}

func word[T ~string](c *codec, x *T) {
	if c.err != nil {
		return
	}
	if c.w == nil {
		*x = T(c.readWord())
		return
	}
	n, told := c.numbers[string(*x)]
	if !told {
		n = len(c.numbers)
		c.numbers[string(*x)] = n
	}
	integer(c, &n)
	if !told {
		length := len(*x)
		integer(c, &length)
		if c.err == nil {
			_, c.err = c.w.WriteString(string(*x))
		}
	}
}

func (c *codec) readWord() string {
	var n, length int
	integer(c, &n)
	if c.err == nil && n == len(c.words) {
		integer(c, &length)
		if c.err != nil || length < 0 || length > 1<<16 {
			c.err = errors.Join(errBroken, c.err)
			return ""
		}
		text := make([]byte, length)
		_, c.err = io.ReadFull(c.r, text)
		c.words = append(c.words, string(text))
	}
	if c.err != nil || n < 0 || n >= len(c.words) {
		c.err = errors.Join(errBroken, c.err)
		return ""
	}
	return c.words[n]
}

func opt[T comparable](c *codec, x *fleet.Opt[T], each func(*T)) {
	known := x.IsKnown()
	c.bool(&known)
	if !known {
		*x = fleet.Opt[T]{}
		return
	}
	var zero T
	v := x.Or(zero)
	each(&v)
	*x = fleet.Known(v)
}

func (c *codec) optFloat(x *fleet.Opt[float64]) { opt(c, x, c.float) }

func optInteger[T ~int | ~int32 | ~int64](c *codec, x *fleet.Opt[T]) {
	opt(c, x, func(v *T) { integer(c, v) })
}

// time keeps UTC, to the nanosecond.
func (c *codec) time(x *time.Time) {
	var ns int64
	if c.w != nil {
		ns = x.UnixNano()
	}
	c.int(&ns)
	if c.w == nil {
		*x = time.Unix(0, ns).UTC()
	}
}

func list[T any](c *codec, x *[]T, each func(*T)) {
	n := len(*x)
	integer(c, &n)
	if c.w == nil {
		if c.err != nil || n < 0 || n > 1<<26 {
			c.err = errors.Join(errBroken, c.err)
			return
		}
		*x = make([]T, n)
	}
	for i := range *x {
		if c.err != nil {
			return
		}
		each(&(*x)[i])
	}
}

// table keeps a map, in the order of its keys.
func table[K ~string, V any](c *codec, m *map[K]V, each func(*V)) {
	var keys []K
	for k := range *m {
		keys = append(keys, k)
	}
	slices.Sort(keys)
	list(c, &keys, func(k *K) { word(c, k) })
	if c.w == nil {
		*m = make(map[K]V, len(keys))
	}
	for _, k := range keys {
		v := (*m)[k]
		each(&v)
		if c.w == nil {
			(*m)[k] = v
		}
	}
}
