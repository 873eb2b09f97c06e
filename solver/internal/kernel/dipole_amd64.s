//go:build !purego

#include "textflag.h"

// ROW computes the lanes at offset o of a row at DI from the emitter at SI, the coil at
// BX and the datum at R8, in vectors of any length. op loads the coil's quantity of
// index i among nine; inverse takes d² to 1/d² and 1/d³; mx, my and mz are the
// emitter's m, in memory or in registers.
//
// d in V0–V2, 1/d² in V3, 1/d³ in V4, 3/d⁵ in V5, m·d in V6, n·d in V7, n in
// V8–V10, m·n in V11; then b in V12, the factors of m and d in g in V13 and V14,
// the coupling in V15; then B in V3, V5, V6 and g in V7, V11, V15.
#define ROW(o, op, inverse, mx, my, mz, V0, V1, V2, V3, V4, V5, V6, V7, V8, V9, V10, V11, V12, V13, V14, V15) \
	op(0, V0) \
	op(1, V1) \
	op(2, V2) \
	VSUBPD o+0(SI), V0, V0 \
	VSUBPD o+64(SI), V1, V1 \
	VSUBPD o+128(SI), V2, V2 \
	VMULPD V0, V0, V3 \
	VFMADD231PD V1, V1, V3 \
	VFMADD231PD V2, V2, V3 \
	inverse(V3, V4, V5, V6) \
	op(3, V8) \
	op(4, V9) \
	op(5, V10) \
	VMULPD mx, V0, V6 \
	VMULPD V8, V0, V7 \
	VMULPD mx, V8, V11 \
	VFMADD231PD my, V1, V6 \
	VFMADD231PD V9, V1, V7 \
	VFMADD231PD my, V9, V11 \
	VFMADD231PD mz, V2, V6 \
	VFMADD231PD V10, V2, V7 \
	VFMADD231PD mz, V10, V11 \
	VBROADCASTSD ·three(SB), V5 \
	VMULPD V3, V5, V5 \
	VMULPD V4, V5, V5 \
	VMULPD V6, V5, V12 \
	VMULPD V7, V5, V13 \
	VMULPD V6, V7, V14 \
	VMULPD V3, V14, V14 \
	VBROADCASTSD ·five(SB), V15 \
	VFNMADD213PD V11, V15, V14 \
	VMULPD V5, V14, V14 \
	VMULPD V4, V11, V15 \
	VFMSUB231PD V7, V12, V15 \
	VSUBPD o+0(R8), V15, V15 \
	VMULPD o+64(R8), V15, V15 \
	VMOVUPD V15, o+384(DI) \
	VMULPD V0, V12, V3 \
	VMULPD V1, V12, V5 \
	VMULPD V2, V12, V6 \
	VFNMADD231PD mx, V4, V3 \
	VFNMADD231PD my, V4, V5 \
	VFNMADD231PD mz, V4, V6 \
	VMULPD mx, V13, V7 \
	VMULPD my, V13, V11 \
	VMULPD mz, V13, V15 \
	VFMADD231PD V8, V12, V7 \
	VFMADD231PD V9, V12, V11 \
	VFMADD231PD V10, V12, V15 \
	VFMADD231PD V0, V14, V7 \
	VFMADD231PD V1, V14, V11 \
	VFMADD231PD V2, V14, V15 \
	op(6, V12) \
	op(7, V13) \
	op(8, V14) \
	VMULPD V13, V15, V0 \
	VMULPD V14, V7, V1 \
	VMULPD V12, V11, V2 \
	VFNMADD231PD V14, V11, V0 \
	VFNMADD231PD V12, V15, V1 \
	VFNMADD231PD V13, V7, V2 \
	VFMADD231PD V9, V6, V0 \
	VFMADD231PD V10, V3, V1 \
	VFMADD231PD V8, V5, V2 \
	VFNMADD231PD V10, V5, V0 \
	VFNMADD231PD V8, V6, V1 \
	VFNMADD231PD V9, V3, V2 \
	VMOVUPD o+64(R8), V4 \
	VMULPD V4, V7, V7 \
	VMULPD V4, V11, V11 \
	VMULPD V4, V15, V15 \
	VMULPD V4, V0, V0 \
	VMULPD V4, V1, V1 \
	VMULPD V4, V2, V2 \
	VMOVUPD V7, o+0(DI) \
	VMOVUPD V11, o+64(DI) \
	VMOVUPD V15, o+128(DI) \
	VMOVUPD V0, o+192(DI) \
	VMOVUPD V1, o+256(DI) \
	VMOVUPD V2, o+320(DI)

// SAME is a number for all lanes.
#define SAME(i, v) VBROADCASTSD (8*i)(BX), v

#define DIVIDED(d2, d3, t, u) \
	VBROADCASTSD ·one(SB), t \
	VDIVPD  d2, t, d2 \
	VSQRTPD d2, d3 \
	VMULPD  d2, d3, d3

// ESTIMATED takes the 14-bit estimate y of 1/d and two Newton steps,
// y ← y(3/2 − d²y²/2), which leave the rounding of the last one.
#define ESTIMATED(d2, d3, t, u) \
	VRSQRT14PD   d2, d3 \
	VMULPD.BCST  ·half(SB), d2, d2 \
	VBROADCASTSD ·threeHalves(SB), u \
	VMULPD       d3, d3, t \
	VFNMADD213PD u, d2, t \
	VMULPD       t, d3, d3 \
	VMULPD       d3, d3, t \
	VFNMADD213PD u, d2, t \
	VMULPD       t, d3, d3 \
	VMULPD       d3, d3, d2 \
	VMULPD       d2, d3, d3

#define ROW256(o) ROW(o, SAME, DIVIDED, o+192(SI), o+256(SI), o+320(SI), Y0, Y1, Y2, Y3, Y4, Y5, Y6, Y7, Y8, Y9, Y10, Y11, Y12, Y13, Y14, Y15)
#define ROW512(op) ROW(0, op, ESTIMATED, Z16, Z17, Z18, Z0, Z1, Z2, Z3, Z4, Z5, Z6, Z7, Z8, Z9, Z10, Z11, Z12, Z13, Z14, Z15)

#define KEEP512 \
	VMOVUPD 192(SI), Z16 \
	VMOVUPD 256(SI), Z17 \
	VMOVUPD 320(SI), Z18

#define KEEP256

// ROWS is the whole of a function: keep loads what it keeps of an emitter; coils are
// size bytes apart.
#define ROWS(keep, row, size) \
	MOVQ rows+0(FP), DI \
	MOVQ emitters+8(FP), SI \
	MOVQ coils+16(FP), DX \
	MOVQ data+24(FP), R8 \
	MOVQ e+32(FP), CX \
emitter: \
	keep \
	MOVQ DX, BX \
	MOVQ c+40(FP), R9 \
coil: \
	row \
	ADDQ $448, DI \
	ADDQ $128, R8 \
	ADDQ $size, BX \
	DECQ R9 \
	JNZ  coil \
	ADDQ $384, SI \
	DECQ CX \
	JNZ  emitter \
	VZEROUPPER \
	RET

// func dipoleRowsAVX2(rows *Row, emitters *Dipole, coils *Point, data *Datum, e, c int)
TEXT ·dipoleRowsAVX2(SB), NOSPLIT, $0-48
	ROWS(KEEP256, ROW256(0); ROW256(32), 72)

// func dipoleRowsAVX512(rows *Row, emitters *Dipole, coils *Point, data *Datum, e, c int)
TEXT ·dipoleRowsAVX512(SB), NOSPLIT, $0-48
	ROWS(KEEP512, ROW512(SAME), 72)
