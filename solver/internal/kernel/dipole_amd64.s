//go:build !purego

#include "textflag.h"

// FIELD computes in every lane, with d in Z0–Z2, m in Z3–Z5, n in Z6–Z8:
// B in Z17–Z19, g in Z22–Z24, the coupling in Z25.
//
// 1/|d| comes from the 14-bit estimate and two Newton steps, y ← y(3/2 − r²y²/2),
// which leave the rounding of the last one.
#define FIELD \
	VMULPD Z0, Z0, Z9 \
	VFMADD231PD Z1, Z1, Z9 \
	VFMADD231PD Z2, Z2, Z9 \
	VRSQRT14PD Z9, Z10 \
	VMULPD.BCST ·half(SB), Z9, Z9 \
	VMULPD Z10, Z10, Z11 \
	VBROADCASTSD ·threeHalves(SB), Z12 \
	VMULPD Z3, Z0, Z13 \
	VMULPD Z6, Z0, Z14 \
	VMULPD Z3, Z6, Z15 \
	VFNMADD213PD Z12, Z9, Z11 \
	VFMADD231PD Z4, Z1, Z13 \
	VFMADD231PD Z7, Z1, Z14 \
	VFMADD231PD Z4, Z7, Z15 \
	VMULPD Z11, Z10, Z10 \
	VFMADD231PD Z5, Z2, Z13 \
	VFMADD231PD Z8, Z2, Z14 \
	VFMADD231PD Z5, Z8, Z15 \
	VMULPD Z10, Z10, Z11 \
	VFNMADD213PD Z12, Z9, Z11 \
	VMULPD Z11, Z10, Z11 \
	VMULPD Z11, Z11, Z10 \
	VMULPD Z10, Z11, Z11 \
	VMULPD Z10, Z11, Z12 \
	VMULPD.BCST ·three(SB), Z12, Z12 \
	VMULPD Z13, Z12, Z16 \
	VMULPD Z14, Z12, Z20 \
	VMULPD Z0, Z16, Z17 \
	VMULPD Z1, Z16, Z18 \
	VMULPD Z2, Z16, Z19 \
	VMULPD Z13, Z14, Z21 \
	VMULPD Z10, Z21, Z21 \
	VFNMADD231PD Z3, Z11, Z17 \
	VFNMADD231PD Z4, Z11, Z18 \
	VFNMADD231PD Z5, Z11, Z19 \
	VFNMADD132PD.BCST ·five(SB), Z15, Z21 \
	VMULPD Z12, Z21, Z21 \
	VMULPD Z3, Z20, Z22 \
	VMULPD Z4, Z20, Z23 \
	VMULPD Z5, Z20, Z24 \
	VFMADD231PD Z6, Z16, Z22 \
	VFMADD231PD Z7, Z16, Z23 \
	VFMADD231PD Z8, Z16, Z24 \
	VFMADD231PD Z0, Z21, Z22 \
	VFMADD231PD Z1, Z21, Z23 \
	VFMADD231PD Z2, Z21, Z24 \
	VMULPD Z15, Z11, Z25 \
	VFMSUB231PD Z14, Z16, Z25

// TURN adds n×B to Z26–Z28, which hold a×g, and stores the weighted row.
#define TURN \
	VFMADD231PD Z7, Z19, Z26 \
	VFNMADD231PD Z8, Z18, Z26 \
	VFMADD231PD Z8, Z17, Z27 \
	VFNMADD231PD Z6, Z19, Z27 \
	VFMADD231PD Z6, Z18, Z28 \
	VFNMADD231PD Z7, Z17, Z28 \
	VMOVUPD 64(R8), Z29 \
	VSUBPD (R8), Z25, Z25 \
	VMULPD Z29, Z22, Z22 \
	VMULPD Z29, Z23, Z23 \
	VMULPD Z29, Z24, Z24 \
	VMULPD Z29, Z26, Z26 \
	VMULPD Z29, Z27, Z27 \
	VMULPD Z29, Z28, Z28 \
	VMULPD Z29, Z25, Z25 \
	VMOVUPD Z22, (DI) \
	VMOVUPD Z23, 64(DI) \
	VMOVUPD Z24, 128(DI) \
	VMOVUPD Z26, 192(DI) \
	VMOVUPD Z27, 256(DI) \
	VMOVUPD Z28, 320(DI) \
	VMOVUPD Z25, 384(DI) \
	ADDQ $448, DI \
	ADDQ $128, R8

// ROWS is the whole of a function: op loads a quantity of the coil at BX, at its place i
// among nine; coils are size bytes apart. SI leads to the emitters.
#define ROWS(op, size) \
	MOVQ rows+0(FP), DI \
	MOVQ emitters+8(FP), SI \
	MOVQ coils+16(FP), DX \
	MOVQ data+24(FP), R8 \
	MOVQ e+32(FP), CX \
emitter: \
	VMOVUPD 192(SI), Z3 \
	VMOVUPD 256(SI), Z4 \
	VMOVUPD 320(SI), Z5 \
	MOVQ    DX, BX \
	MOVQ    c+40(FP), R9 \
coil: \
	op(0, Z0) \
	op(1, Z1) \
	op(2, Z2) \
	VSUBPD (SI), Z0, Z0 \
	VSUBPD 64(SI), Z1, Z1 \
	VSUBPD 128(SI), Z2, Z2 \
	op(3, Z6) \
	op(4, Z7) \
	op(5, Z8) \
	FIELD \
	op(6, Z29) \
	op(7, Z30) \
	op(8, Z31) \
	VMULPD       Z30, Z24, Z26 \
	VMULPD       Z31, Z22, Z27 \
	VMULPD       Z29, Z23, Z28 \
	VFNMADD231PD Z31, Z23, Z26 \
	VFNMADD231PD Z29, Z24, Z27 \
	VFNMADD231PD Z30, Z22, Z28 \
	TURN \
	ADDQ $size, BX \
	DECQ R9 \
	JNZ  coil \
	ADDQ $384, SI \
	DECQ CX \
	JNZ  emitter \
	VZEROUPPER \
	RET

// SAME is a number for all lanes, EACH one of each.
#define SAME(i, z) VBROADCASTSD (8*i)(BX), z
#define EACH(i, z) VMOVUPD (64*i)(BX), z

// func dipoleRowsAVX512(rows *Row, emitters *Dipole, coils *Point, data *Datum, e, c int)
TEXT ·dipoleRowsAVX512(SB), NOSPLIT, $0-48
	ROWS(SAME, 72)

// func dipoleRowsManyAVX512(rows *Row, emitters *Dipole, coils *Coil, data *Datum, e, c int)
TEXT ·dipoleRowsManyAVX512(SB), NOSPLIT, $0-48
	ROWS(EACH, 576)
