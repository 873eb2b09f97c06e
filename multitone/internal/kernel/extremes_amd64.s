//go:build !purego

#include "textflag.h"

// func lanesAVX2(l *lanes, x *byte, n int, step uintptr)
TEXT ·lanesAVX2(SB), NOSPLIT, $0-32
	MOVQ l+0(FP), DI
	MOVQ x+8(FP), SI
	MOVQ n+16(FP), CX
	MOVQ step+24(FP), R8
	VPCMPEQW Y9, Y9, Y9
	VPSRLD   $31, Y9, Y9  // 1, 0: the even places
	VPSLLD   $16, Y9, Y10 // 0, 1: the odd ones
	VMOVDQU  (SI), Y0     // least
	VMOVDQA  Y0, Y1       // greatest
	VPXOR    Y2, Y2, Y2
	VPXOR    Y3, Y3, Y3

vector:
	VMOVDQU  (SI), Y4
	VPMINSW  Y4, Y0, Y0
	VPMAXSW  Y4, Y1, Y1
	VPMADDWD Y4, Y9, Y5
	VPMADDWD Y4, Y10, Y6
	VPADDD   Y5, Y2, Y2
	VPADDD   Y6, Y3, Y3
	ADDQ     R8, SI
	DECQ     CX
	JNZ      vector

	VMOVDQU Y0, (DI)
	VMOVDQU Y1, 32(DI)
	VMOVDQU Y2, 64(DI)
	VMOVDQU Y3, 96(DI)
	VZEROUPPER
	RET
