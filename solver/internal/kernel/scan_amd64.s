//go:build !purego

#include "textflag.h"

// func leastAVX512(scores *Vec, n int) float64
TEXT ·leastAVX512(SB), NOSPLIT, $0-24
	MOVQ         scores+0(FP), SI
	MOVQ         n+8(FP), CX
	MOVQ         $0x7ff0000000000000, AX
	VPBROADCASTQ AX, Z0

block:
	// The minimum of a NaN and Z0 is its second source, Z0.
	VMOVUPD       (SI), Z1
	VMINPD        Z0, Z1, Z0
	ADDQ          $64, SI
	DECQ          CX
	JNZ           block
	VEXTRACTF64X4 $1, Z0, Y1
	VMINPD        Y0, Y1, Y0
	VEXTRACTF128  $1, Y0, X1
	VMINPD        X0, X1, X0
	VPERMILPD     $1, X0, X1
	VMINSD        X0, X1, X0
	VMOVSD        X0, ret+16(FP)
	VZEROUPPER
	RET

// func belowAVX512(masks *uint8, scores *Vec, n int, limit float64)
TEXT ·belowAVX512(SB), NOSPLIT, $0-32
	MOVQ         masks+0(FP), DI
	MOVQ         scores+8(FP), SI
	MOVQ         n+16(FP), CX
	VBROADCASTSD limit+24(FP), Z0

block:
	// LE_OQ: false for NaN.
	VMOVUPD (SI), Z1
	VCMPPD  $18, Z0, Z1, K1
	KMOVW   K1, AX
	MOVB    AX, (DI)
	INCQ    DI
	ADDQ    $64, SI
	DECQ    CX
	JNZ     block
	VZEROUPPER
	RET
