// Package sha512 computes SHA-512 (FIPS 180-4) faster than the standard library where
// the processor has vectors and no instructions of its own for it: SigMF names that hash, and
// to check it is the longest work that a recording asks for on one core after the other.
package sha512

import (
	"crypto/sha512"
	"encoding/binary"
	"hash"
	"math/big"
	"math/bits"
	"sync"

	"tonepose/fieldmodels/variant"
)

const (
	// Size is the length of a hash in bytes.
	Size  = sha512.Size
	block = sha512.BlockSize
)

// blocks goes on from the state h through whole blocks of p; k are constants.
var (
	blocks       = blocksGo
	blocksKernel = variant.New("multitone.SHA512", &blocks)
)

// New returns a hash.
func New() hash.Hash {
	if blocksKernel.Chosen() == variant.Go {
		return sha512.New() // may use what the processor has for it
	}
	return newDigest()
}

// digest is a hash under way.
type digest struct {
	*constants
	h      [8]uint64
	rest   [block]byte // bytes that fill no block yet, n of them
	n      int
	length uint64 // [bytes]
}

func newDigest() *digest {
	d := &digest{constants: known()}
	d.Reset()
	return d
}

func (d *digest) Size() int      { return Size }
func (d *digest) BlockSize() int { return block }
func (d *digest) Reset()         { d.h, d.n, d.length = d.begin, 0, 0 }

func (d *digest) Write(p []byte) (int, error) {
	written := len(p)
	d.length += uint64(written)
	if d.n > 0 {
		n := copy(d.rest[d.n:], p)
		if d.n, p = d.n+n, p[n:]; d.n < block {
			return written, nil
		}
		blocks(&d.h, &d.k, d.rest[:])
	}
	if whole := len(p) / block * block; whole > 0 {
		blocks(&d.h, &d.k, p[:whole])
		p = p[whole:]
	}
	d.n = copy(d.rest[:], p)
	return written, nil
}

// Sum appends the hash of what was written so far. Behind that stand, to a whole block, a
// set bit, zeros, and its length in 128 bits (section 5.1.2).
func (d *digest) Sum(to []byte) []byte {
	end := *d
	var padding [2 * block]byte
	padding[0] = 0x80
	size := block - end.n
	if size < 17 {
		size += block
	}
	binary.BigEndian.PutUint64(padding[size-16:], d.length>>61)
	binary.BigEndian.PutUint64(padding[size-8:], d.length<<3)
	end.Write(padding[:size])
	for _, v := range end.h {
		to = binary.BigEndian.AppendUint64(to, v)
	}
	return to
}

// constants are the first 64 bits of the fractional parts of the square roots of the first
// eight primes, with which a hash begins (section 5.3.5), and of the cube roots of the first
// eighty (section 4.2.3).
type constants struct {
	begin [8]uint64
	k     [80]uint64
}

var known = sync.OnceValue(func() *constants {
	c := new(constants)
	for i, prime := 0, int64(2); i < len(c.k); prime++ {
		if !big.NewInt(prime).ProbablyPrime(0) { // which is exact below 2⁶⁴
			continue
		}
		if i < len(c.begin) {
			c.begin[i] = fraction(prime, 2)
		}
		c.k[i] = fraction(prime, 3)
		i++
	}
	return c
})

// fraction is the greatest r below 2⁶⁴ with (whole + r/2⁶⁴)ⁿ ≤ x, whole being that of the root.
func fraction(x, n int64) uint64 {
	limit := new(big.Int).Lsh(big.NewInt(x), uint(64*n))
	root := new(big.Int)
	for bit := 64 + 6; bit >= 0; bit-- { // of numbers below 2¹²
		root.SetBit(root, bit, 1)
		if new(big.Int).Exp(root, big.NewInt(n), nil).Cmp(limit) > 0 {
			root.SetBit(root, bit, 0)
		}
	}
	return new(big.Int).And(root, new(big.Int).SetUint64(1<<64-1)).Uint64()
}

// blocksGo is section 6.4.2.
func blocksGo(state *[8]uint64, k *[80]uint64, p []byte) {
	var w [80]uint64
	for ; len(p) >= block; p = p[block:] {
		for t := range w {
			if t < 16 {
				w[t] = binary.BigEndian.Uint64(p[8*t:])
				continue
			}
			a, b := w[t-2], w[t-15]
			w[t] = (right(a, 19) ^ right(a, 61) ^ a>>6) + w[t-7] + (right(b, 1) ^ right(b, 8) ^ b>>7) + w[t-16]
		}
		a, b, c, d, e, f, g, h := state[0], state[1], state[2], state[3], state[4], state[5], state[6], state[7]
		for t := range w {
			t1 := h + (right(e, 14) ^ right(e, 18) ^ right(e, 41)) + (e&f ^ ^e&g) + k[t] + w[t]
			t2 := (right(a, 28) ^ right(a, 34) ^ right(a, 39)) + (a&b ^ a&c ^ b&c)
			a, b, c, d, e, f, g, h = t1+t2, a, b, c, d+t1, e, f, g
		}
		for i, v := range [8]uint64{a, b, c, d, e, f, g, h} {
			state[i] += v
		}
	}
}

// right turns x to the right.
func right(x uint64, n int) uint64 { return bits.RotateLeft64(x, -n) }
