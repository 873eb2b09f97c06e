//go:build !purego

#include "textflag.h"

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
