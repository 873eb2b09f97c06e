//go:build !purego

#include "textflag.h"

// Scores of eight positions a step: sums over the emitters, a 3×3 LDLᵀ, one
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

// PIVOTS is N = L D Lᵀ, N being xx, xy, xz, yy, yz, zz; the inverse pivots replace D.
#define PIVOTS(inverse, xx, xy, xz, yy, yz, zz, u, v) \
	inverse(xx) \
	VMOVAPD      xy, u \
	VMOVAPD      xz, v \
	VMULPD       xx, xy, xy \
	VMULPD       xx, xz, xz \
	VFNMADD231PD xy, u, yy \
	VFNMADD231PD xy, v, yz \
	VFNMADD231PD xz, v, zz \
	inverse(yy) \
	VMOVAPD      yz, u \
	VMULPD       yy, yz, yz \
	VFNMADD231PD yz, u, zz \
	inverse(zz)

// AXIS solves for a coil's axis ax, ay, az from its right-hand side x, y, z and takes
// the residual of the fit off the score.
#define AXIS(xx, xy, xz, yy, yz, zz, x, y, z, ax, ay, az, score) \
	VMOVAPD      y, ay \
	VFNMADD231PD xy, x, ay \
	VMOVAPD      z, az \
	VFNMADD231PD xz, x, az \
	VFNMADD231PD yz, ay, az \
	VMULPD       zz, az, az \
	VMULPD       yy, ay, ay \
	VFNMADD231PD yz, az, ay \
	VMULPD       xx, x, ax \
	VFNMADD231PD xy, ay, ax \
	VFNMADD231PD xz, az, ax \
	VFNMADD231PD ax, x, score \
	VFNMADD231PD ay, y, score \
	VFNMADD231PD az, z, score

// LENGTH leaves |n|² − 1 of an axis in less, |n|² + 1 in more.
#define LENGTH(ax, ay, az, one, less, more) \
	VMULPD      ax, ax, less \
	VFMADD231PD ay, ay, less \
	VFMADD231PD az, az, less \
	VADDPD      one, less, more \
	VSUBPD      one, less, less

// COIL solves for a coil's axis and adds to the score.
#define COIL(x, y, z) \
	AXIS(Z0, Z1, Z2, Z3, Z4, Z5, x, y, z, Z18, Z19, Z20, Z31) \
	LENGTH(Z18, Z19, Z20, Z28, Z21, Z22) \
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
	PIVOTS(INVERSE, Z0, Z1, Z2, Z3, Z4, Z5, Z26, Z27) \
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

// DIVIDED is INVERSE to rounding.
#define DIVIDED(y) VDIVPD y, Y14, y

// func scoreAVX2(scores, field *Vec, w, wy *float64, power float64, blocks, emitters, coils int)
//
// N in Y0–Y5, made L (Y1, Y2, Y4) and inverse pivots (Y0, Y3, Y5); a coil's
// right-hand side in Y6–Y8, its axis in Y10–Y12; the score in Y15.
TEXT ·scoreAVX2(SB), NOSPLIT, $0-64
	MOVQ scores+0(FP), DI
	MOVQ field+8(FP), SI
	MOVQ blocks+40(FP), CX
	MOVQ emitters+48(FP), R10
	MOVQ coils+56(FP), R12

	// Bytes of a block of fields, and from one emitter's wy to the next.
	IMUL3Q $192, R10, R13
	MOVQ   R12, R14
	SHLQ   $3, R14

block:
	MOVQ $2, R15

half:
	MOVQ   SI, AX
	MOVQ   w+16(FP), BX
	MOVQ   R10, R9
	VXORPD Y0, Y0, Y0
	VXORPD Y1, Y1, Y1
	VXORPD Y2, Y2, Y2
	VXORPD Y3, Y3, Y3
	VXORPD Y4, Y4, Y4
	VXORPD Y5, Y5, Y5

emitter:
	VBROADCASTSD (BX), Y9
	VMOVUPD      (AX), Y6
	VMOVUPD      64(AX), Y7
	VMOVUPD      128(AX), Y8
	VMULPD       Y9, Y6, Y10
	VMULPD       Y9, Y7, Y11
	VMULPD       Y9, Y8, Y12
	VFMADD231PD  Y6, Y10, Y0
	VFMADD231PD  Y7, Y10, Y1
	VFMADD231PD  Y8, Y10, Y2
	VFMADD231PD  Y7, Y11, Y3
	VFMADD231PD  Y8, Y11, Y4
	VFMADD231PD  Y8, Y12, Y5
	ADDQ         $8, BX
	ADDQ         $192, AX
	DECQ         R9
	JNZ          emitter
	VBROADCASTSD ·one(SB), Y14
	PIVOTS(DIVIDED, Y0, Y1, Y2, Y3, Y4, Y5, Y6, Y7)
	VBROADCASTSD power+32(FP), Y15
	MOVQ         wy+24(FP), R8
	MOVQ         R12, R11

coil:
	MOVQ   SI, AX
	MOVQ   R8, BX
	MOVQ   R10, R9
	VXORPD Y6, Y6, Y6
	VXORPD Y7, Y7, Y7
	VXORPD Y8, Y8, Y8

right:
	VBROADCASTSD (BX), Y9
	VFMADD231PD  (AX), Y9, Y6
	VFMADD231PD  64(AX), Y9, Y7
	VFMADD231PD  128(AX), Y9, Y8
	ADDQ         R14, BX
	ADDQ         $192, AX
	DECQ         R9
	JNZ          right
	AXIS(Y0, Y1, Y2, Y3, Y4, Y5, Y6, Y7, Y8, Y10, Y11, Y12, Y15)
	LENGTH(Y10, Y11, Y12, Y14, Y9, Y10)
	VDIVPD       Y10, Y9, Y9
	VADDPD       Y9, Y9, Y9
	VFMADD231PD  Y9, Y9, Y15
	ADDQ         $8, R8
	DECQ         R11
	JNZ          coil
	VMOVUPD      Y15, (DI)
	ADDQ         $32, DI
	ADDQ         $32, SI
	DECQ         R15
	JNZ          half
	SUBQ         $64, SI
	ADDQ         R13, SI
	DECQ         CX
	JNZ          block
	VZEROUPPER
	RET
