//go:build !purego

#include "textflag.h"

// The kernels of a single solve for processors without AVX-512: four lanes a
// step, each Vec in two halves.

DATA ymm<>+0(SB)/8, $1.0
DATA ymm<>+8(SB)/8, $3.0
DATA ymm<>+16(SB)/8, $5.0
GLOBL ymm<>(SB), RODATA|NOPTR, $24

// HALFROW computes four lanes of a row at DI+o from the emitter at SI, the coil
// at BX and the datum at R8.
//
// d in Y0–Y2, 1/d² in Y3, 1/d³ in Y4, 3/d⁵ in Y5, m·d in Y6, n·d in Y7, n in
// Y8–Y10, m·n in Y11; then b in Y12, the factors of m and d in g in Y13 and Y14,
// the coupling in Y15; then B in Y3, Y5, Y6 and g in Y7, Y11, Y15.
#define HALFROW(o) \
	VBROADCASTSD 0(BX), Y0 \
	VBROADCASTSD 8(BX), Y1 \
	VBROADCASTSD 16(BX), Y2 \
	VSUBPD o+0(SI), Y0, Y0 \
	VSUBPD o+64(SI), Y1, Y1 \
	VSUBPD o+128(SI), Y2, Y2 \
	VMULPD Y0, Y0, Y3 \
	VFMADD231PD Y1, Y1, Y3 \
	VFMADD231PD Y2, Y2, Y3 \
	VBROADCASTSD ymm<>+0(SB), Y5 \
	VDIVPD Y3, Y5, Y3 \
	VSQRTPD Y3, Y4 \
	VBROADCASTSD 24(BX), Y8 \
	VBROADCASTSD 32(BX), Y9 \
	VBROADCASTSD 40(BX), Y10 \
	VMULPD o+192(SI), Y0, Y6 \
	VMULPD Y8, Y0, Y7 \
	VMULPD o+192(SI), Y8, Y11 \
	VFMADD231PD o+256(SI), Y1, Y6 \
	VFMADD231PD Y9, Y1, Y7 \
	VFMADD231PD o+256(SI), Y9, Y11 \
	VFMADD231PD o+320(SI), Y2, Y6 \
	VFMADD231PD Y10, Y2, Y7 \
	VFMADD231PD o+320(SI), Y10, Y11 \
	VMULPD Y3, Y4, Y4 \
	VBROADCASTSD ymm<>+8(SB), Y5 \
	VMULPD Y3, Y5, Y5 \
	VMULPD Y4, Y5, Y5 \
	VMULPD Y6, Y5, Y12 \
	VMULPD Y7, Y5, Y13 \
	VMULPD Y6, Y7, Y14 \
	VMULPD Y3, Y14, Y14 \
	VBROADCASTSD ymm<>+16(SB), Y15 \
	VFNMADD213PD Y11, Y15, Y14 \
	VMULPD Y5, Y14, Y14 \
	VMULPD Y4, Y11, Y15 \
	VFMSUB231PD Y7, Y12, Y15 \
	VSUBPD o+0(R8), Y15, Y15 \
	VMULPD o+64(R8), Y15, Y15 \
	VMOVUPD Y15, o+384(DI) \
	VMULPD Y0, Y12, Y3 \
	VMULPD Y1, Y12, Y5 \
	VMULPD Y2, Y12, Y6 \
	VFNMADD231PD o+192(SI), Y4, Y3 \
	VFNMADD231PD o+256(SI), Y4, Y5 \
	VFNMADD231PD o+320(SI), Y4, Y6 \
	VMULPD o+192(SI), Y13, Y7 \
	VMULPD o+256(SI), Y13, Y11 \
	VMULPD o+320(SI), Y13, Y15 \
	VFMADD231PD Y8, Y12, Y7 \
	VFMADD231PD Y9, Y12, Y11 \
	VFMADD231PD Y10, Y12, Y15 \
	VFMADD231PD Y0, Y14, Y7 \
	VFMADD231PD Y1, Y14, Y11 \
	VFMADD231PD Y2, Y14, Y15 \
	VBROADCASTSD 48(BX), Y12 \
	VBROADCASTSD 56(BX), Y13 \
	VBROADCASTSD 64(BX), Y14 \
	VMULPD Y13, Y15, Y0 \
	VMULPD Y14, Y7, Y1 \
	VMULPD Y12, Y11, Y2 \
	VFNMADD231PD Y14, Y11, Y0 \
	VFNMADD231PD Y12, Y15, Y1 \
	VFNMADD231PD Y13, Y7, Y2 \
	VFMADD231PD Y9, Y6, Y0 \
	VFMADD231PD Y10, Y3, Y1 \
	VFMADD231PD Y8, Y5, Y2 \
	VFNMADD231PD Y10, Y5, Y0 \
	VFNMADD231PD Y8, Y6, Y1 \
	VFNMADD231PD Y9, Y3, Y2 \
	VMOVUPD o+64(R8), Y4 \
	VMULPD Y4, Y7, Y7 \
	VMULPD Y4, Y11, Y11 \
	VMULPD Y4, Y15, Y15 \
	VMULPD Y4, Y0, Y0 \
	VMULPD Y4, Y1, Y1 \
	VMULPD Y4, Y2, Y2 \
	VMOVUPD Y7, o+0(DI) \
	VMOVUPD Y11, o+64(DI) \
	VMOVUPD Y15, o+128(DI) \
	VMOVUPD Y0, o+192(DI) \
	VMOVUPD Y1, o+256(DI) \
	VMOVUPD Y2, o+320(DI)

// func dipoleRowsAVX2(rows *Row, emitters *Dipole, coils *Point, data *Datum, e, c int)
TEXT ·dipoleRowsAVX2(SB), NOSPLIT, $0-48
	MOVQ rows+0(FP), DI
	MOVQ emitters+8(FP), SI
	MOVQ coils+16(FP), DX
	MOVQ data+24(FP), R8
	MOVQ e+32(FP), CX

emitter:
	MOVQ DX, BX
	MOVQ c+40(FP), R9

coil:
	HALFROW(0)
	HALFROW(32)
	ADDQ $448, DI
	ADDQ $128, R8
	ADDQ $72, BX
	DECQ R9
	JNZ  coil
	ADDQ $384, SI
	DECQ CX
	JNZ  emitter
	VZEROUPPER
	RET

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

// func normalAVX2(sum *Sum, rows *Row, n int)
//
// Three sweeps over the half rows, for products 0–11, 12–23 and 24–27.
TEXT ·normalAVX2(SB), NOSPLIT, $0-24
	MOVQ sum+0(FP), DI
	MOVQ rows+8(FP), DX
	MOVQ n+16(FP), R8
	CLEAR12
	MOVQ DX, SI
	MOVQ R8, CX

	// BX steps through the halves: 0 and 32 within a row.
first:
	MOVQ $2, BX

firsthalf:
	VMOVUPD     (SI), Y12
	VMOVUPD     64(SI), Y13
	VMOVUPD     128(SI), Y14
	VMOVUPD     192(SI), Y15
	VFMADD231PD Y12, Y12, Y0
	VFMADD231PD Y13, Y12, Y1
	VFMADD231PD Y14, Y12, Y2
	VFMADD231PD Y15, Y12, Y3
	VFMADD231PD 256(SI), Y12, Y4
	VFMADD231PD 320(SI), Y12, Y5
	VFMADD231PD 384(SI), Y12, Y6
	VFMADD231PD Y13, Y13, Y7
	VFMADD231PD Y14, Y13, Y8
	VFMADD231PD Y15, Y13, Y9
	VFMADD231PD 256(SI), Y13, Y10
	VFMADD231PD 320(SI), Y13, Y11
	ADDQ        $32, SI
	DECQ        BX
	JNZ         firsthalf
	ADDQ        $384, SI
	DECQ        CX
	JNZ         first
	FOUR(Y0, Y1, Y2, Y3, 0)
	FOUR(Y4, Y5, Y6, Y7, 32)
	FOUR(Y8, Y9, Y10, Y11, 64)
	CLEAR12
	MOVQ        DX, SI
	MOVQ        R8, CX

second:
	MOVQ $2, BX

secondhalf:
	VMOVUPD     384(SI), Y12
	VMOVUPD     128(SI), Y13
	VMOVUPD     192(SI), Y14
	VMOVUPD     256(SI), Y15
	VFMADD231PD 64(SI), Y12, Y0
	VFMADD231PD Y13, Y13, Y1
	VFMADD231PD Y14, Y13, Y2
	VFMADD231PD Y15, Y13, Y3
	VFMADD231PD 320(SI), Y13, Y4
	VFMADD231PD Y12, Y13, Y5
	VFMADD231PD Y14, Y14, Y6
	VFMADD231PD Y15, Y14, Y7
	VFMADD231PD 320(SI), Y14, Y8
	VFMADD231PD Y12, Y14, Y9
	VFMADD231PD Y15, Y15, Y10
	VFMADD231PD 320(SI), Y15, Y11
	ADDQ        $32, SI
	DECQ        BX
	JNZ         secondhalf
	ADDQ        $384, SI
	DECQ        CX
	JNZ         second
	FOUR(Y0, Y1, Y2, Y3, 96)
	FOUR(Y4, Y5, Y6, Y7, 128)
	FOUR(Y8, Y9, Y10, Y11, 160)
	CLEAR12
	MOVQ        DX, SI
	MOVQ        R8, CX

third:
	MOVQ $2, BX

thirdhalf:
	VMOVUPD     320(SI), Y12
	VMOVUPD     384(SI), Y13
	VFMADD231PD 256(SI), Y13, Y0
	VFMADD231PD Y12, Y12, Y1
	VFMADD231PD Y13, Y12, Y2
	VFMADD231PD Y13, Y13, Y3
	ADDQ        $32, SI
	DECQ        BX
	JNZ         thirdhalf
	ADDQ        $384, SI
	DECQ        CX
	JNZ         third
	FOUR(Y0, Y1, Y2, Y3, 192)
	VZEROUPPER
	RET

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
	VBROADCASTSD ymm<>+0(SB), Y14
	VDIVPD       Y0, Y14, Y0
	VMOVAPD      Y1, Y6
	VMOVAPD      Y2, Y7
	VMULPD       Y0, Y1, Y1
	VMULPD       Y0, Y2, Y2
	VFNMADD231PD Y1, Y6, Y3
	VFNMADD231PD Y1, Y7, Y4
	VFNMADD231PD Y2, Y7, Y5
	VDIVPD       Y3, Y14, Y3
	VMOVAPD      Y4, Y6
	VMULPD       Y3, Y4, Y4
	VFNMADD231PD Y4, Y6, Y5
	VDIVPD       Y5, Y14, Y5
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
	VMOVAPD      Y7, Y11
	VFNMADD231PD Y1, Y6, Y11
	VMOVAPD      Y8, Y12
	VFNMADD231PD Y2, Y6, Y12
	VFNMADD231PD Y4, Y11, Y12
	VMULPD       Y5, Y12, Y12
	VMULPD       Y3, Y11, Y11
	VFNMADD231PD Y4, Y12, Y11
	VMULPD       Y0, Y6, Y10
	VFNMADD231PD Y1, Y11, Y10
	VFNMADD231PD Y2, Y12, Y10
	VFNMADD231PD Y10, Y6, Y15
	VFNMADD231PD Y11, Y7, Y15
	VFNMADD231PD Y12, Y8, Y15
	VMULPD       Y10, Y10, Y9
	VFMADD231PD  Y11, Y11, Y9
	VFMADD231PD  Y12, Y12, Y9
	VADDPD       Y14, Y9, Y10
	VSUBPD       Y14, Y9, Y9
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

// func leastAVX2(scores *Vec, n int) float64
TEXT ·leastAVX2(SB), NOSPLIT, $0-24
	MOVQ         scores+0(FP), SI
	MOVQ         n+8(FP), CX
	MOVQ         $0x7ff0000000000000, AX
	MOVQ         AX, X0
	VBROADCASTSD X0, Y0
	VMOVAPD      Y0, Y2

block:
	// The minimum of a NaN and Y0 is its second source, Y0.
	VMOVUPD      (SI), Y1
	VMINPD       Y0, Y1, Y0
	VMOVUPD      32(SI), Y1
	VMINPD       Y2, Y1, Y2
	ADDQ         $64, SI
	DECQ         CX
	JNZ          block
	VMINPD       Y0, Y2, Y0
	VEXTRACTF128 $1, Y0, X1
	VMINPD       X0, X1, X0
	VPERMILPD    $1, X0, X1
	VMINSD       X0, X1, X0
	VMOVSD       X0, ret+16(FP)
	VZEROUPPER
	RET

// func belowAVX2(masks *uint8, scores *Vec, n int, limit float64)
TEXT ·belowAVX2(SB), NOSPLIT, $0-32
	MOVQ         masks+0(FP), DI
	MOVQ         scores+8(FP), SI
	MOVQ         n+16(FP), CX
	VBROADCASTSD limit+24(FP), Y0

block:
	// LE_OQ: false for NaN.
	VMOVUPD   (SI), Y1
	VMOVUPD   32(SI), Y2
	VCMPPD    $18, Y0, Y1, Y1
	VCMPPD    $18, Y0, Y2, Y2
	VMOVMSKPD Y1, AX
	VMOVMSKPD Y2, BX
	SHLQ      $4, BX
	ORQ       BX, AX
	MOVB      AX, (DI)
	INCQ      DI
	ADDQ      $64, SI
	DECQ      CX
	JNZ       block
	VZEROUPPER
	RET
