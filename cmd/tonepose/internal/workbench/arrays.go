package workbench

import (
	"encoding/binary"
	"encoding/json"
	"fmt"
	"math"
	"net/http"
	"unsafe"
)

// arrays are numbers on their way to the page: a header in JSON, then the arrays in
// little-endian order, each at a multiple of 8 bytes, as typed arrays of a browser want
// them.
//
//	length of the header  uint32
//	header                {"arrays":[{"name","type","length","unit"}, …], …}, spaces up to a multiple of 8
//	arrays                each filled up to a multiple of 8
type arrays struct {
	head map[string]any
	list []array
}

type array struct {
	Name   string `json:"name"`
	Type   string `json:"type"`
	Length int    `json:"length"`
	Unit   string `json:"unit,omitempty"`

	data []byte
}

func newArrays() *arrays { return &arrays{head: map[string]any{}} }

func (a *arrays) set(key string, v any) { a.head[key] = v }

func (a *arrays) f64(name, unit string, v []float64) { put(a, name, "f64", unit, v, 8) }
func (a *arrays) f32(name, unit string, v []float32) { put(a, name, "f32", unit, v, 4) }
func (a *arrays) u32(name string, v []uint32)        { put(a, name, "u32", "", v, 4) }

// little tells whether the machine's own order is the one that is sent.
var little = binary.NativeEndian.Uint16([]byte{1, 0}) == 1

func put[T float64 | float32 | uint32](a *arrays, name, kind, unit string, v []T, size int) {
	out := array{Name: name, Type: kind, Length: len(v), Unit: unit}
	if len(v) > 0 && little {
		out.data = unsafe.Slice((*byte)(unsafe.Pointer(unsafe.SliceData(v))), len(v)*size)
	} else {
		out.data, _ = binary.Append(make([]byte, 0, len(v)*size), binary.LittleEndian, v) // fixed size: no error
	}
	a.list = append(a.list, out)
}

func (a *arrays) write(w http.ResponseWriter) error {
	if a.list == nil {
		a.list = []array{}
	}
	a.head["arrays"] = a.list
	head, err := json.Marshal(a.head)
	if err != nil {
		return err
	}
	for (4+len(head))%8 != 0 {
		head = append(head, ' ')
	}
	total := 4 + len(head)
	for _, v := range a.list {
		total += (len(v.data) + 7) / 8 * 8
	}
	h := w.Header()
	h.Set("Content-Type", "application/octet-stream")
	out := make([]byte, 0, total)
	out = binary.LittleEndian.AppendUint32(out, uint32(len(head)))
	out = append(out, head...)
	for _, v := range a.list {
		out = append(out, v.data...)
		for len(out)%8 != 0 {
			out = append(out, 0)
		}
	}
	_, err = w.Write(out)
	return err
}

// orNull is v as JSON has it: null for no number.
func orNull(v float64) any {
	if math.IsNaN(v) || math.IsInf(v, 0) {
		return nil
	}
	return v
}

// Arrays of channels and emitters are named by number.
func channelName(c int) string { return fmt.Sprintf("C%d", c) }
func emitterName(e int) string { return fmt.Sprintf("E%d", e) }
