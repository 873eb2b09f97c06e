package fieldmodels

// vectors says with which of the processor's vectors a kernel computes. It is no
// function, through which what is handed over would escape to the heap.
type vectors int

const (
	vectorsNone vectors = iota
	vectorsAVX2
	vectorsAVX512
)
