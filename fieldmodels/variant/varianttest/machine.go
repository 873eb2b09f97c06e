package varianttest

import "testing"

// Machine measures what the processor does at best, on the goroutine that runs it, so
// that the benchmarks of a package can be held against it in the same run: products
// added in float32 and float64 [GF/s, two operations each], quotients and roots of
// vectors [Gnumbers/s], the time of a product that waits for the one before [ns], and
// reading and copying memory far larger than any cache [GB/s].
func Machine(b *testing.B) {
	if m := vectors(); m != nil {
		rate := func(name, unit string, perRound float64, loop func(rounds int)) {
			b.Run("level="+m.level+"/limit="+name, func(b *testing.B) {
				const rounds = 1000
				for b.Loop() {
					loop(rounds)
				}
				b.ReportMetric(perRound*rounds*float64(b.N)/b.Elapsed().Seconds()/1e9, unit)
			})
		}
		lanes := float64(m.width)
		rate("products/real=float32", "GF/s", 2*12*2*lanes, m.singles)
		rate("products/real=float64", "GF/s", 2*12*lanes, m.doubles)
		rate("quotients/real=float64", "Gnumbers/s", 8*lanes, m.quotients)
		rate("roots/real=float64", "Gnumbers/s", 8*lanes, m.roots)
		b.Run("level="+m.level+"/limit=chain/real=float64", func(b *testing.B) {
			const rounds = 1000
			for b.Loop() {
				m.chain(rounds)
			}
			b.ReportMetric(float64(b.Elapsed().Nanoseconds())/rounds/float64(b.N), "ns/product")
		})
		for _, at := range []struct {
			name  string
			bytes int
		}{{"cache", 16 << 10}, {"memory", 256 << 20}} {
			buffer := make([]byte, at.bytes)
			for i := range buffer {
				buffer[i] = byte(i) // pages of its own
			}
			b.Run("level="+m.level+"/limit=read/from="+at.name, func(b *testing.B) {
				for b.Loop() {
					m.read(&buffer[0], len(buffer)/512)
				}
				b.ReportMetric(float64(at.bytes)*float64(b.N)/b.Elapsed().Seconds()/1e9, "GB/s")
			})
		}
	}
	from, to := make([]byte, 128<<20), make([]byte, 128<<20)
	for i := range from {
		from[i], to[i] = 1, 2
	}
	b.Run("limit=copy", func(b *testing.B) {
		for b.Loop() {
			copy(to, from)
		}
		b.ReportMetric(float64(len(to))*float64(b.N)/b.Elapsed().Seconds()/1e9, "GB/s")
	})
}

// machine is what the processor's vectors do alone.
type machine struct {
	level string
	width int // of float64

	singles, doubles, chain, quotients, roots func(rounds int)
	read                                      func(p *byte, n int)
}
