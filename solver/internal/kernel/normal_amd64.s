//go:build !purego

#include "textflag.h"

// PRODUCTS adds the products of the columns of the row at SI to Z4–Z31.
#define PRODUCTS \
	VMOVUPD (SI), Z0 \
	VMOVUPD 64(SI), Z1 \
	VMOVUPD 128(SI), Z2 \
	VMOVUPD 192(SI), Z3 \
	VFMADD231PD Z0, Z0, Z4 \
	VFMADD231PD Z1, Z0, Z5 \
	VFMADD231PD Z2, Z0, Z6 \
	VFMADD231PD Z3, Z0, Z7 \
	VFMADD231PD 256(SI), Z0, Z8 \
	VFMADD231PD 320(SI), Z0, Z9 \
	VFMADD231PD 384(SI), Z0, Z10 \
	VFMADD231PD Z1, Z1, Z11 \
	VFMADD231PD Z2, Z1, Z12 \
	VFMADD231PD Z3, Z1, Z13 \
	VFMADD231PD 256(SI), Z1, Z14 \
	VFMADD231PD 320(SI), Z1, Z15 \
	VFMADD231PD 384(SI), Z1, Z16 \
	VMOVUPD 256(SI), Z0 \
	VMOVUPD 320(SI), Z1 \
	VFMADD231PD Z2, Z2, Z17 \
	VFMADD231PD Z3, Z2, Z18 \
	VFMADD231PD Z0, Z2, Z19 \
	VFMADD231PD Z1, Z2, Z20 \
	VFMADD231PD 384(SI), Z2, Z21 \
	VMOVUPD 384(SI), Z2 \
	VFMADD231PD Z3, Z3, Z22 \
	VFMADD231PD Z0, Z3, Z23 \
	VFMADD231PD Z1, Z3, Z24 \
	VFMADD231PD Z2, Z3, Z25 \
	VFMADD231PD Z0, Z0, Z26 \
	VFMADD231PD Z1, Z0, Z27 \
	VFMADD231PD Z2, Z0, Z28 \
	VFMADD231PD Z1, Z1, Z29 \
	VFMADD231PD Z2, Z1, Z30 \
	VFMADD231PD Z2, Z2, Z31 \
	ADDQ $448, SI

// EACH does op(i, z) for each sum.
#define EACH(op) \
	op(0, Z4) \
	op(1, Z5) \
	op(2, Z6) \
	op(3, Z7) \
	op(4, Z8) \
	op(5, Z9) \
	op(6, Z10) \
	op(7, Z11) \
	op(8, Z12) \
	op(9, Z13) \
	op(10, Z14) \
	op(11, Z15) \
	op(12, Z16) \
	op(13, Z17) \
	op(14, Z18) \
	op(15, Z19) \
	op(16, Z20) \
	op(17, Z21) \
	op(18, Z22) \
	op(19, Z23) \
	op(20, Z24) \
	op(21, Z25) \
	op(22, Z26) \
	op(23, Z27) \
	op(24, Z28) \
	op(25, Z29) \
	op(26, Z30) \
	op(27, Z31)

#define CLEAR(i, z) VPXORQ z, z, z
#define STORE(i, z) VMOVUPD z, (64*i)(DI)

// PAIR puts [a01 b01 a23 b23 a45 b45 a67 b67] of sums of neighbours into a.
#define PAIR(a, b) \
	VUNPCKLPD b, a, Z0 \
	VUNPCKHPD b, a, Z1 \
	VADDPD Z1, Z0, a

// QUAD puts the sums of 128-bit neighbours of a, then of b, into a.
#define QUAD(a, b) \
	VSHUFF64X2 $0x88, b, a, Z0 \
	VSHUFF64X2 $0xdd, b, a, Z1 \
	VADDPD Z1, Z0, a

// EIGHT puts the lane sums of a to h, in this order, into a.
#define EIGHT(a, b, c, d, e, f, g, h) \
	PAIR(a, b) \
	PAIR(c, d) \
	PAIR(e, f) \
	PAIR(g, h) \
	QUAD(a, c) \
	QUAD(e, g) \
	QUAD(a, e)

// func normalAVX512(sum *Sum, rows *Row, n int)
TEXT ·normalAVX512(SB), NOSPLIT, $0-24
	MOVQ sum+0(FP), DI
	MOVQ rows+8(FP), SI
	MOVQ n+16(FP), CX
	EACH(CLEAR)

row:
	PRODUCTS
	DECQ CX
	JNZ  row
	EIGHT(Z4, Z5, Z6, Z7, Z8, Z9, Z10, Z11)
	EIGHT(Z12, Z13, Z14, Z15, Z16, Z17, Z18, Z19)
	EIGHT(Z20, Z21, Z22, Z23, Z24, Z25, Z26, Z27)
	PAIR(Z28, Z29)
	PAIR(Z30, Z31)
	QUAD(Z28, Z30)
	QUAD(Z28, Z28)
	VMOVUPD Z4, (DI)
	VMOVUPD Z12, 64(DI)
	VMOVUPD Z20, 128(DI)
	VMOVUPD Y28, 192(DI)
	VZEROUPPER
	RET

// func accumulateAVX512(sum *SumVec, rows *Row, n int)
TEXT ·accumulateAVX512(SB), NOSPLIT, $0-24
	MOVQ sum+0(FP), DI
	MOVQ rows+8(FP), SI
	MOVQ n+16(FP), CX
	EACH(CLEAR)

row:
	PRODUCTS
	DECQ    CX
	JNZ     row
	EACH(STORE)
	VZEROUPPER
	RET
