package present

import (
	"math"
	"testing"
)

func TestNumbers(t *testing.T) {
	for _, c := range []struct{ have, want string }{
		{Number(9.996, 3), "10.0"}, {Number(0.00123456, 3), "0.00123"}, {Number(-123456, 3), "-123000"}, {Number(0, 3), "0.00"},
		{Number(1.5e-9, 3), "1.5e-09"}, {Number(math.NaN(), 3), "–"}, {Number(1e7, 3), "1e+07"}, {Number(99999.7, 3), "100000"},
		{Quantity(12.34e-6, "m"), "12.3 µm"}, {Quantity(999.6e-6, "m"), "1.00 mm"}, {Quantity(-5126, "Hz"), "-5.13 kHz"},
		{Quantity(0, "V"), "0.00 V"}, {Quantity(1, "s"), "1.00 s"}, {Quantity(2.5e6, ""), "2.50 M"}, {Quantity(1e-18, "H"), "1e-18 H"},
		{Quantity(math.Inf(1), "V"), "+Inf V"}, {Quantity(1e-6, "V"), "1.00 µV"}, {Quantity(1e-9, "H"), "1.00 nH"},
		{Number(math.Copysign(0, -1), 3), "0.00"}, {Number(-0.0099996, 3), "-0.0100"},
		{PlusMinus(23.7672, 7.7), "23.8 ± 7.7"}, {PlusMinus(-0.04, 0.996), "0.0 ± 1.0"}, {PlusMinus(123456, 1234), "123500 ± 1200"},
		{PlusMinus(62501.875, 9.4e-8), "62501.875000000 ± 0.000000094"}, {PlusMinus(1.5, 0), "1.500000 ± 0.0"},
		{PlusMinus(0.25, 1e-20), "0.2500000 ± 1e-20"}, {PlusMinus(1, math.NaN()), "1.000000 ± –"}, {PlusMinus(1, math.Inf(1)), "1.000000 ± +Inf"},
		{Estimate(1.02508e-6, 1.4e-7, "V"), "(1.03 ± 0.14) µV"}, {Estimate(-738e-12, 6.68e-9, "s"), "(-0.7 ± 6.7) ns"},
		{Estimate(0.99999, 2e-9, "V"), "(0.9999900000 ± 0.0000000020) V"},
	} {
		if c.have != c.want {
			t.Errorf("%q, want %q", c.have, c.want)
		}
	}
}
