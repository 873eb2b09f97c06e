// Command generate writes the assembly of kernels for every vector width from one
// description: the order of operations is in one place, and a width is a parameter.
//
//	go run . -root ../../..          # writes the files
//	go run . -root ../../.. -check   # compares them, exit 1 if any differs
//
// It is a module of its own, so that no user builds it. The Go twin of a kernel, in
// the package that it serves, is its definition; see varianttest.
package main

import (
	"bytes"
	"flag"
	"fmt"
	"os"
	"path/filepath"
	"strings"

	"github.com/mmcloughlin/avo/build"
	"github.com/mmcloughlin/avo/ir"
	"github.com/mmcloughlin/avo/pass"
	"github.com/mmcloughlin/avo/printer"
	"github.com/mmcloughlin/avo/reg"
)

// kernels are the files and what they hold.
var kernels = []struct {
	file  string // below the module's root
	write func(*build.Context)
}{
	{"fieldmodels/lines/lines_amd64.s", addLines},
	{"fieldmodels/loopset_amd64.s", loopSet},
	{"fieldmodels/rectangle_amd64.s", rectangle},
	{"fieldmodels/section_amd64.s", section},
	{"fieldmodels/variant/varianttest/machine_amd64.s", machine},
	{"multitone/internal/kernel/advance_amd64.s", advance},
	{"multitone/internal/kernel/basis_amd64.s", basis},
	{"multitone/internal/kernel/cascade_amd64.s", cascade},
	{"multitone/internal/kernel/extremes_amd64.s", extremes},
	{"multitone/internal/kernel/fold_amd64.s", folds},
	{"multitone/internal/kernel/fourier_amd64.s", fourier},
	{"multitone/internal/kernel/halves_amd64.s", halves},
	{"multitone/internal/kernel/induce_amd64.s", induce},
	{"multitone/internal/kernel/polynomial_amd64.s", polynomial},
	{"multitone/internal/kernel/quantise_amd64.s", quantise},
	{"multitone/internal/kernel/stream_amd64.s", stream},
	{"multitone/internal/kernel/tiles_amd64.s", tiles},
	{"solver/internal/kernel/dipole_amd64.s", dipoleRows},
	{"solver/internal/kernel/normal_amd64.s", normal},
	{"solver/internal/kernel/scan_amd64.s", scan},
	{"solver/internal/kernel/score_amd64.s", score},
}

func main() {
	root := flag.String("root", "../../..", "directory of the module that the kernels belong to")
	check := flag.Bool("check", false, "compare the files and write none")
	flag.Parse()
	failed := false
	for _, k := range kernels {
		text, err := assembly(k.write)
		if err != nil {
			fmt.Fprintf(os.Stderr, "%s: %v\n", k.file, err)
			os.Exit(2)
		}
		name := filepath.Join(*root, filepath.FromSlash(k.file))
		if !*check {
			if err := os.WriteFile(name, text, 0o644); err != nil {
				fmt.Fprintln(os.Stderr, err)
				os.Exit(2)
			}
			continue
		}
		if have, err := os.ReadFile(name); err != nil || !bytes.Equal(have, text) {
			fmt.Fprintf(os.Stderr, "%s is not what its generator writes: run go run . in fieldmodels/variant/generate\n", k.file)
			failed = true
		}
	}
	if failed {
		os.Exit(1)
	}
}

// assembly is the text of one file.
func assembly(write func(*build.Context)) ([]byte, error) {
	c := build.NewContext()
	c.ConstraintExpr("!purego")
	write(c)
	file, err := c.Result()
	if err != nil {
		return nil, err
	}
	if err := pass.Compile.Execute(file); err != nil {
		return nil, err
	}
	if err := withinAVX2(file); err != nil {
		return nil, err
	}
	if err := vectorsOnly(file); err != nil {
		return nil, err
	}
	return printer.NewGoAsm(printer.Config{Name: "fieldmodels/variant/generate", Pkg: "tonepose"}).Print(file)
}

// withinAVX2 refuses vectors that only AVX-512 has in functions for AVX2: the registers
// are handed out without regard to it.
func withinAVX2(file *ir.File) error {
	for _, f := range file.Functions() {
		if !strings.HasSuffix(f.Name, "AVX2") {
			continue
		}
		for _, i := range f.Instructions() {
			for _, r := range i.Registers() {
				if p := reg.ToPhysical(r); p != nil && p.Kind() == reg.KindVector && p.PhysicalIndex() > 15 {
					return fmt.Errorf("%s needs more than the 16 vectors of AVX2", f.Name)
				}
			}
		}
	}
	return nil
}

// vectorsOnly refuses the older instructions, which leave the upper parts of a vector's
// register as they are: several processors take a hundred cycles to change between these
// and the ones that all else here is.
func vectorsOnly(file *ir.File) error {
	for _, f := range file.Functions() {
		for _, i := range f.Instructions() {
			for _, r := range i.Registers() {
				if r.Kind() == reg.KindVector && !strings.HasPrefix(i.Opcode, "V") && !strings.HasPrefix(i.Opcode, "K") {
					return fmt.Errorf("%s: %s is not of AVX: take its form that begins with V", f.Name, i.Opcode)
				}
			}
		}
	}
	return nil
}
