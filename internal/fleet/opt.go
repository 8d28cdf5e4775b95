package fleet

import "encoding/json"

// Opt is a value that may be unknown. The zero Opt is unknown; in JSON it is null.
type Opt[T comparable] struct {
	v  T
	ok bool
}

// Known wraps a value that is known.
func Known[T comparable](v T) Opt[T] { return Opt[T]{v, true} }

// FromPtr reads nil as unknown.
func FromPtr[T comparable](p *T) Opt[T] {
	if p == nil {
		return Opt[T]{}
	}
	return Known(*p)
}

// Get returns the value and whether it is known.
func (o Opt[T]) Get() (T, bool) { return o.v, o.ok }

// IsKnown tells whether there is a value.
func (o Opt[T]) IsKnown() bool { return o.ok }

// Or returns the value, or other when it is unknown.
func (o Opt[T]) Or(other T) T {
	if o.ok {
		return o.v
	}
	return other
}

// Ptr returns nil for unknown: the form that SQL drivers understand.
func (o Opt[T]) Ptr() *T {
	if !o.ok {
		return nil
	}
	v := o.v
	return &v
}

// MarshalJSON writes null for unknown.
func (o Opt[T]) MarshalJSON() ([]byte, error) { return json.Marshal(o.Ptr()) }

// UnmarshalJSON reads null as unknown.
func (o *Opt[T]) UnmarshalJSON(b []byte) error {
	var p *T
	if err := json.Unmarshal(b, &p); err != nil {
		return err
	}
	*o = FromPtr(p)
	return nil
}
