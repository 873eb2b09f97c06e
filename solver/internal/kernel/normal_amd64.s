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

// PAIR leaves [a01 b01 a23 b23 a45 b45 a67 b67] of sums of neighbours in a.
#define PAIR(a, b) \
	VUNPCKLPD b, a, Z0 \
	VUNPCKHPD b, a, Z1 \
	VADDPD Z1, Z0, a

// QUAD leaves the sums of 128-bit neighbours of a, then of b, in a.
#define QUAD(a, b) \
	VSHUFF64X2 $0x88, b, a, Z0 \
	VSHUFF64X2 $0xdd, b, a, Z1 \
	VADDPD Z1, Z0, a

// EIGHT leaves the lane sums of a to h, in this order, in a.
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

// Without AVX-512, four lanes a step in three sweeps over the rows.

#define CLEAR12 \
	VXORPD Y0, Y0, Y0 \
	VXORPD Y1, Y1, Y1 \
	VXORPD Y2, Y2, Y2 \
	VXORPD Y3, Y3, Y3 \
	VXORPD Y4, Y4, Y4 \
	VXORPD Y5, Y5, Y5 \
	VXORPD Y6, Y6, Y6 \
	VXORPD Y7, Y7, Y7 \
	VXORPD Y8, Y8, Y8 \
	VXORPD Y9, Y9, Y9 \
	VXORPD Y10, Y10, Y10 \
	VXORPD Y11, Y11, Y11

// FOUR stores the lane sums of a to d, in this order, at offset o of DI.
#define FOUR(a, b, c, d, o) \
	VHADDPD b, a, a \
	VHADDPD d, c, c \
	VPERM2F128 $0x21, c, a, b \
	VBLENDPD $12, c, a, a \
	VADDPD b, a, a \
	VMOVUPD a, o(DI)

// SUMSn adds the products from n on, up to twelve of them, of four lanes of a row.
#define SUMS0 \
	VMOVUPD     (SI), Y12 \
	VMOVUPD     64(SI), Y13 \
	VMOVUPD     128(SI), Y14 \
	VMOVUPD     192(SI), Y15 \
	VFMADD231PD Y12, Y12, Y0 \
	VFMADD231PD Y13, Y12, Y1 \
	VFMADD231PD Y14, Y12, Y2 \
	VFMADD231PD Y15, Y12, Y3 \
	VFMADD231PD 256(SI), Y12, Y4 \
	VFMADD231PD 320(SI), Y12, Y5 \
	VFMADD231PD 384(SI), Y12, Y6 \
	VFMADD231PD Y13, Y13, Y7 \
	VFMADD231PD Y14, Y13, Y8 \
	VFMADD231PD Y15, Y13, Y9 \
	VFMADD231PD 256(SI), Y13, Y10 \
	VFMADD231PD 320(SI), Y13, Y11

#define SUMS12 \
	VMOVUPD     384(SI), Y12 \
	VMOVUPD     128(SI), Y13 \
	VMOVUPD     192(SI), Y14 \
	VMOVUPD     256(SI), Y15 \
	VFMADD231PD 64(SI), Y12, Y0 \
	VFMADD231PD Y13, Y13, Y1 \
	VFMADD231PD Y14, Y13, Y2 \
	VFMADD231PD Y15, Y13, Y3 \
	VFMADD231PD 320(SI), Y13, Y4 \
	VFMADD231PD Y12, Y13, Y5 \
	VFMADD231PD Y14, Y14, Y6 \
	VFMADD231PD Y15, Y14, Y7 \
	VFMADD231PD 320(SI), Y14, Y8 \
	VFMADD231PD Y12, Y14, Y9 \
	VFMADD231PD Y15, Y15, Y10 \
	VFMADD231PD 320(SI), Y15, Y11

#define SUMS24 \
	VMOVUPD     320(SI), Y12 \
	VMOVUPD     384(SI), Y13 \
	VFMADD231PD 256(SI), Y13, Y0 \
	VFMADD231PD Y12, Y12, Y1 \
	VFMADD231PD Y13, Y12, Y2 \
	VFMADD231PD Y13, Y13, Y3

// SWEEP goes through the rows, of which R8 are at DX, half a row a step.
#define SWEEP(row, half, products) \
	CLEAR12 \
	MOVQ DX, SI \
	MOVQ R8, CX \
row: \
	MOVQ $2, BX \
half: \
	products \
	ADDQ $32, SI \
	DECQ BX \
	JNZ  half \
	ADDQ $384, SI \
	DECQ CX \
	JNZ  row

// func normalAVX2(sum *Sum, rows *Row, n int)
TEXT ·normalAVX2(SB), NOSPLIT, $0-24
	MOVQ sum+0(FP), DI
	MOVQ rows+8(FP), DX
	MOVQ n+16(FP), R8
	SWEEP(row0, half0, SUMS0)
	FOUR(Y0, Y1, Y2, Y3, 0)
	FOUR(Y4, Y5, Y6, Y7, 32)
	FOUR(Y8, Y9, Y10, Y11, 64)
	SWEEP(row12, half12, SUMS12)
	FOUR(Y0, Y1, Y2, Y3, 96)
	FOUR(Y4, Y5, Y6, Y7, 128)
	FOUR(Y8, Y9, Y10, Y11, 160)
	SWEEP(row24, half24, SUMS24)
	FOUR(Y0, Y1, Y2, Y3, 192)
	VZEROUPPER
	RET
