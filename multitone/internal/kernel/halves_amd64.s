//go:build !purego

#include "textflag.h"

// func halvesAVX2(dst, first, last *complex128, scale *float64, channels int)
TEXT ·halvesAVX2(SB), NOSPLIT, $0-40
	MOVQ dst+0(FP), DI
	MOVQ first+8(FP), SI
	MOVQ last+16(FP), DX
	MOVQ scale+24(FP), BX
	MOVQ channels+32(FP), CX

channel:
	VMOVUPD   (SI), Y0
	VMOVUPD   (DX), Y1
	VPERMILPD $5, Y0, Y2
	VPERMILPD $5, Y1, Y3
	VSUBPD    Y2, Y0, Y0
	VADDPD    Y3, Y1, Y1
	VADDPD    Y1, Y0, Y0
	VEXTRACTF128 $1, Y0, X2
	VBLENDPD  $2, X2, X0, X0
	VMOVDDUP  (BX), X3
	VMULPD    X3, X0, X0
	VMOVUPD   X0, (DI)
	ADDQ $128, SI
	ADDQ $128, DX
	ADDQ $8, BX
	ADDQ $16, DI
	DECQ CX
	JNZ  channel
	VZEROUPPER
	RET
