package demofleet

import "testing"

// BenchmarkWrite makes the fleet of the demonstration: 240 units, two and a half years.
func BenchmarkWrite(b *testing.B) {
	for b.Loop() {
		if _, err := Write(b.TempDir(), Options{Seed: 1, Today: autumn}); err != nil {
			b.Fatal(err)
		}
	}
}
