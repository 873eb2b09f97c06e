// Package variant chooses, when a program starts, the fastest form of each inner
// loop that the processor can run.
//
// A kernel is a variable, a function or a table of functions, which first holds the
// definition in Go. New registers it; Add offers a variant in assembly with the
// processor features that it needs, and takes it into use where they are there.
// Callers read the variable alone. Tests go through the variants with Each.
//
// The package has no physics, so all libraries may import it.
package variant

import (
	"iter"
	"slices"

	"golang.org/x/sys/cpu"
)

// Level is a set of processor features.
type Level struct {
	Name     string
	features []feature
}

type feature struct {
	name  string
	there *bool
}

// The levels, each faster than those before. Every processor with AVX512DQ has BW
// and VL too, so that finer ones would make no difference.
var (
	Go   = &Level{Name: "go"}
	AVX2 = &Level{"avx2", []feature{{"avx2", &cpu.X86.HasAVX2}, {"fma", &cpu.X86.HasFMA}}}

	AVX512 = &Level{"avx512", append(slices.Clip(AVX2.features),
		feature{"avx512f", &cpu.X86.HasAVX512F}, feature{"avx512dq", &cpu.X86.HasAVX512DQ},
		feature{"avx512bw", &cpu.X86.HasAVX512BW}, feature{"avx512vl", &cpu.X86.HasAVX512VL})}
)

// Missing names the features of l that the processor, or its operating system, lacks.
func (l *Level) Missing() []string {
	var names []string
	for _, f := range l.features {
		if !*f.there {
			names = append(names, f.name)
		}
	}
	return names
}

// Variant is one form of a kernel.
type Variant struct {
	Kernel string
	Level  *Level
	Chosen bool // whether it is in use
	Tested bool // whether Each took it into use
}

// Kernel is an inner loop with its variants.
type Kernel[T any] struct {
	name     string
	inUse    *T
	variants []form[T] // the definition first, the fastest last
	chosen   int
}

type form[T any] struct {
	level  *Level
	code   T
	tested bool
}

// registered is a Kernel of any type.
type registered interface {
	list() []Variant
	useGo() (restore func())
}

var kernels []registered

// New registers the kernel that callers reach through *inUse, which holds its
// definition in Go.
func New[T any](name string, inUse *T) *Kernel[T] {
	k := &Kernel[T]{name: name, inUse: inUse, variants: []form[T]{{level: Go, code: *inUse}}}
	kernels = append(kernels, k)
	return k
}

// Add offers a variant that is faster than those before, and takes it into use if
// the processor has what it needs. It is meant for init.
func (k *Kernel[T]) Add(level *Level, code T) {
	k.variants = append(k.variants, form[T]{level: level, code: code})
	if len(level.Missing()) == 0 {
		k.use(len(k.variants) - 1)
	}
}

func (k *Kernel[T]) use(i int) { k.chosen, *k.inUse = i, k.variants[i].code }

// Chosen is the level of the variant in use.
func (k *Kernel[T]) Chosen() *Level { return k.variants[k.chosen].level }

// Each takes every variant that the processor runs into use, one after the other,
// and at the end the one that was before. Nothing else may use the kernel meanwhile.
func (k *Kernel[T]) Each() iter.Seq[*Level] {
	return func(yield func(*Level) bool) {
		defer k.use(k.chosen)
		for i := range k.variants {
			f := &k.variants[i]
			if len(f.level.Missing()) > 0 {
				continue
			}
			k.use(i)
			f.tested = true
			if !yield(f.level) {
				return
			}
		}
	}
}

func (k *Kernel[T]) list() []Variant {
	all := make([]Variant, len(k.variants))
	for i, f := range k.variants {
		all[i] = Variant{Kernel: k.name, Level: f.level, Chosen: i == k.chosen, Tested: f.tested}
	}
	return all
}

func (k *Kernel[T]) useGo() (restore func()) {
	before := k.chosen
	k.use(0)
	return func() { k.use(before) }
}

// All lists every variant of every kernel that the program holds.
func All() []Variant {
	var all []Variant
	for _, k := range kernels {
		all = append(all, k.list()...)
	}
	return all
}

// UseGo takes the definitions of all kernels into use until restore is called.
// Nothing else may use a kernel meanwhile.
func UseGo() (restore func()) {
	var each []func()
	for _, k := range kernels {
		each = append(each, k.useGo())
	}
	return func() {
		for _, f := range each {
			f()
		}
	}
}
