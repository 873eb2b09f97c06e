//go:build !purego

#include "textflag.h"

// Scores of eight places a step: sums over the emitters, a 3×3 LDLᵀ, one
// solution a coil. Reciprocals are the 14-bit estimate with one Newton step.
//
// Z0 to Z5 hold N = Σ w B Bᵀ, then L (Z1, Z2, Z4) and the inverse pivots; Z6 to Z8 an
// emitter's B; Z9 to Z17 the right-hand sides of up to three coils, x, y, z each; Z18
// to Z20 w·B, then a coil's axis; Z28 to Z31 1, 2, power and the score. SI leads to the
// fields, BX to the weights, R11 to the weighted couplings; CX counts blocks, R9
// emitters.

#define ARGS \
	MOVQ         scores+0(FP), DI \
	MOVQ         field+8(FP), SI \
	MOVQ         w+16(FP), DX \
	MOVQ         wy+24(FP), R8 \
	VBROADCASTSD power+32(FP), Z30 \
	MOVQ         blocks+40(FP), CX \
	MOVQ         emitters+48(FP), R10 \
	VBROADCASTSD ·one(SB), Z28 \
	VBROADCASTSD ·two(SB), Z29

// START begins a block, but for the coils.
#define START \
	MOVQ    DX, BX \
	MOVQ    R8, R11 \
	MOVQ    R10, R9 \
	VMOVAPD Z30, Z31 \
	VPXORQ  Z0, Z0, Z0 \
	VPXORQ  Z1, Z1, Z1 \
	VPXORQ  Z2, Z2, Z2 \
	VPXORQ  Z3, Z3, Z3 \
	VPXORQ  Z4, Z4, Z4 \
	VPXORQ  Z5, Z5, Z5

// EMITTER loads an emitter's B and weighs it; PRODUCTS adds it to N.
#define EMITTER \
	VMOVUPD      (SI), Z6 \
	VMOVUPD      64(SI), Z7 \
	VMOVUPD      128(SI), Z8 \
	VBROADCASTSD (BX), Z18 \
	VMULPD       Z18, Z6, Z19 \
	VMULPD       Z18, Z7, Z20 \
	VMULPD       Z18, Z8, Z21

#define PRODUCTS \
	VFMADD231PD  Z6, Z19, Z0 \
	VFMADD231PD  Z7, Z19, Z1 \
	VFMADD231PD  Z8, Z19, Z2 \
	VFMADD231PD  Z7, Z20, Z3 \
	VFMADD231PD  Z8, Z20, Z4 \
	VFMADD231PD  Z8, Z21, Z5

// BEGIN clears a coil's right-hand side; COUPLING adds the emitter's, of weighted
// coupling q, to it.
#define BEGIN(x, y, z) \
	VPXORQ x, x, x \
	VPXORQ y, y, y \
	VPXORQ z, z, z

#define COUPLING(q, x, y, z) \
	VFMADD231PD Z6, q, x \
	VFMADD231PD Z7, q, y \
	VFMADD231PD Z8, q, z

// INVERSE makes z its reciprocal.
#define INVERSE(z) \
	VRCP14PD     z, Z25 \
	VFNMADD213PD Z29, Z25, z \
	VMULPD       Z25, z, z

// PIVOTS is N = L D Lᵀ; the inverse pivots replace D.
#define PIVOTS \
	INVERSE(Z0) \
	VMOVAPD      Z1, Z26 \
	VMOVAPD      Z2, Z27 \
	VMULPD       Z0, Z1, Z1 \
	VMULPD       Z0, Z2, Z2 \
	VFNMADD231PD Z1, Z26, Z3 \
	VFNMADD231PD Z1, Z27, Z4 \
	VFNMADD231PD Z2, Z27, Z5 \
	INVERSE(Z3) \
	VMOVAPD      Z4, Z26 \
	VMULPD       Z3, Z4, Z4 \
	VFNMADD231PD Z4, Z26, Z5 \
	INVERSE(Z5)

// COIL solves for a coil's axis and adds to the score.
#define COIL(x, y, z) \
	VMOVAPD      y, Z19 \
	VFNMADD231PD Z1, x, Z19 \
	VMOVAPD      z, Z20 \
	VFNMADD231PD Z2, x, Z20 \
	VFNMADD231PD Z4, Z19, Z20 \
	VMULPD       Z5, Z20, Z20 \
	VMULPD       Z3, Z19, Z19 \
	VFNMADD231PD Z4, Z20, Z19 \
	VMULPD       Z0, x, Z18 \
	VFNMADD231PD Z1, Z19, Z18 \
	VFNMADD231PD Z2, Z20, Z18 \
	VFNMADD231PD Z18, x, Z31 \
	VFNMADD231PD Z19, y, Z31 \
	VFNMADD231PD Z20, z, Z31 \
	VMULPD       Z18, Z18, Z21 \
	VFMADD231PD  Z19, Z19, Z21 \
	VFMADD231PD  Z20, Z20, Z21 \
	VADDPD       Z28, Z21, Z22 \
	VSUBPD       Z28, Z21, Z21 \
	VRCP14PD     Z22, Z23 \
	VMULPD       Z23, Z21, Z21 \
	VFNMADD213PD Z29, Z23, Z22 \
	VMULPD       Z22, Z21, Z21 \
	VADDPD       Z21, Z21, Z22 \
	VFMADD231PD  Z22, Z22, Z31

// SCORE is the whole of a function for coils, whose couplings take size bytes: each does
// its op(x, y, z) for each of their right-hand sides, load gets what is coupled to them.
#define SCORE(each, load, add, size) \
	ARGS \
block: \
	START \
	each(BEGIN) \
emitter: \
	EMITTER \
	load \
	PRODUCTS \
	add \
	ADDQ $192, SI \
	ADDQ $8, BX \
	ADDQ $size, R11 \
	DECQ R9 \
	JNZ  emitter \
	PIVOTS \
	each(COIL) \
	VMOVUPD Z31, (DI) \
	ADDQ $64, DI \
	DECQ CX \
	JNZ  block \
	VZEROUPPER \
	RET

#define ONE(op) op(Z9, Z10, Z11)

#define THREE(op) \
	ONE(op) \
	op(Z12, Z13, Z14) \
	op(Z15, Z16, Z17)

#define LOAD1 VBROADCASTSD 0(R11), Z22

#define LOAD3 \
	LOAD1 \
	VBROADCASTSD 8(R11), Z23 \
	VBROADCASTSD 16(R11), Z24

#define ADD1 COUPLING(Z22, Z9, Z10, Z11)

#define ADD3 \
	ADD1 \
	COUPLING(Z23, Z12, Z13, Z14) \
	COUPLING(Z24, Z15, Z16, Z17)

// func score1AVX512(scores, field *Vec, w, wy *float64, power float64, blocks, emitters int)
TEXT ·score1AVX512(SB), NOSPLIT, $0-56
	SCORE(ONE, LOAD1, ADD1, 8)

// func score3AVX512(scores, field *Vec, w, wy *float64, power float64, blocks, emitters int)
TEXT ·score3AVX512(SB), NOSPLIT, $0-56
	SCORE(THREE, LOAD3, ADD3, 24)
