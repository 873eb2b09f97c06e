//go:build !purego

#include "textflag.h"

// The kernels of a single solve for processors without AVX-512: four lanes a
// step, each Vec in two halves.

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
