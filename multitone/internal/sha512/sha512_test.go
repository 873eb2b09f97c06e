package sha512

import (
	"bytes"
	"crypto/sha512"
	"encoding/hex"
	"hash"
	"math/rand/v2"
	"testing"

	"tonepose/fieldmodels/variant/varianttest"
)

func TestMain(m *testing.M) { varianttest.Main(m) }

// The examples of FIPS 180-2, appendix C, and the hash of nothing, as recalled; the standard
// library has the same.
func TestPublished(t *testing.T) {
	varianttest.Each(t, blocksKernel, func(t *testing.T) {
		for text, want := range map[string]string{
			"": "cf83e1357eefb8bdf1542850d66d8007d620e4050b5715dc83f4a921d36ce9ce" +
				"47d0d13c5d85f2b0ff8318d2877eec2f63b931bd47417a81a538327af927da3e",
			"abc": "ddaf35a193617abacc417349ae20413112e6fa4e89a97ea20a9eeee64b55d39a" +
				"2192992a274fc1a836ba3c23a3feebbd454d4423643ce80e2a9ac94fa54ca49f",
			"abcdefghbcdefghicdefghijdefghijkefghijklfghijklmghijklmnhijklmnoijklmnopjklmnopqklmnopqrlmnopqrsmnopqrstnopqrstu": "" +
				"8e959b75dae313da8cf4f72814fc143f8f7779c6eb9f7fa17299aeadb6889018" +
				"501d289e4900f7e4331b99dec4b5433ac7d329eeb6dd26545e96e55b874be909",
		} {
			d := newDigest()
			d.Write([]byte(text))
			if got := hex.EncodeToString(d.Sum(nil)); got != want {
				t.Errorf("%q: %s, want %s", text, got, want)
			}
		}
	})
}

// What the standard library computes, for every length about the first blocks, odd offsets
// and pieces of any size.
func TestAgainstTheLibrary(t *testing.T) {
	varianttest.Each(t, blocksKernel, func(t *testing.T) {
		rng := rand.New(rand.NewPCG(5, 12))
		data := make([]byte, 5000)
		for i := range data {
			data[i] = byte(rng.Uint32())
		}
		for n := range 700 {
			p := data[n%9:][:n]
			d := newDigest()
			for rest := p; len(rest) > 0; {
				piece := rng.IntN(len(rest)) + 1
				d.Write(rest[:piece])
				rest = rest[piece:]
			}
			want := sha512.Sum512(p)
			if got := d.Sum(nil); !bytes.Equal(got, want[:]) {
				t.Fatalf("%d bytes: %x, want %x", n, got, want)
			}
			if got := d.Sum([]byte{1}); !bytes.Equal(got[1:], want[:]) || got[0] != 1 {
				t.Fatalf("%d bytes, asked again: %x", n, got)
			}
		}
		long := newDigest()
		long.Write([]byte("another"))
		long.Reset()
		long.Write(data)
		if want := sha512.Sum512(data); !bytes.Equal(long.Sum(nil), want[:]) {
			t.Error("wrong after a reset")
		}
	})
}

func TestNewFollowsTheVariant(t *testing.T) {
	varianttest.Each(t, blocksKernel, func(t *testing.T) {
		d := New()
		d.Write([]byte("abc"))
		want := sha512.Sum512([]byte("abc"))
		if !bytes.Equal(d.Sum(nil), want[:]) || d.Size() != len(want) || d.BlockSize() != sha512.BlockSize {
			t.Errorf("%x, %d, %d", d.Sum(nil), d.Size(), d.BlockSize())
		}
	})
}

func BenchmarkSHA512(b *testing.B) {
	data := make([]byte, 1<<20)
	run := func(d hash.Hash) func(*testing.B) {
		return func(b *testing.B) {
			b.SetBytes(int64(len(data)))
			for b.Loop() {
				d.Write(data)
			}
		}
	}
	b.Run("impl=library", run(sha512.New()))
	for level := range blocksKernel.Each() {
		b.Run("impl="+level.Name, run(newDigest()))
	}
}
