//go:build !purego

#include "textflag.h"

// Four channels at a time, all places of them before the next four.

#define ARGS \
	MOVQ dst+0(FP), DI;      \
	MOVQ up+8(FP), SI;       \
	MOVQ down+16(FP), DX;    \
	MOVQ quads+32(FP), BX;   \
	MOVQ dstStep+40(FP), R8; \
	MOVQ step+48(FP), R9

#define START \
	MOVQ n+24(FP), AX; \
	MOVQ DI, R11;      \
	MOVQ SI, R12;      \
	MOVQ DX, R13

#define NEXT \
	ADDQ R8, R11; \
	ADDQ R9, R12; \
	SUBQ R9, R13; \
	DECQ AX

#define COUNTS \
	VPMOVSXWD (R12), X0;   \
	VPMOVSXWD (R13), X1;   \
	VPADDD    X1, X0, X2;  \
	VPSUBD    X1, X0, X3

#define FLOATS \
	VMOVUPD (R12), Y0;     \
	VMOVUPD (R13), Y1;     \
	VADDPD  Y1, Y0, Y2;    \
	VSUBPD  Y1, Y0, Y3

#define STORE32 \
	VUNPCKLPS X3, X2, X4;   \
	VUNPCKHPS X3, X2, X5;   \
	VMOVUPS   X4, (R11);    \
	VMOVUPS   X5, 16(R11)

#define STORE64 \
	VUNPCKLPD  Y3, Y2, Y4;        \
	VUNPCKHPD  Y3, Y2, Y5;        \
	VPERM2F128 $0x20, Y5, Y4, Y6; \
	VPERM2F128 $0x31, Y5, Y4, Y7; \
	VMOVUPD    Y6, (R11);         \
	VMOVUPD    Y7, 32(R11)

#define QUAD(dstBytes, bytes) \
	ADDQ $dstBytes, DI; \
	ADDQ $bytes, SI;    \
	ADDQ $bytes, DX;    \
	DECQ BX

// func fold16f32avx2(dst *float32, up, down *int16, n, quads int, dstStep, step uintptr)
TEXT ·fold16f32avx2(SB), NOSPLIT, $0-56
	ARGS

quad:
	START

place:
	COUNTS
	VCVTDQ2PS X2, X2
	VCVTDQ2PS X3, X3
	STORE32
	NEXT
	JNZ place
	QUAD(32, 8)
	JNZ quad
	VZEROUPPER
	RET

// func fold16f64avx2(dst *float64, up, down *int16, n, quads int, dstStep, step uintptr)
TEXT ·fold16f64avx2(SB), NOSPLIT, $0-56
	ARGS

quad:
	START

place:
	COUNTS
	VCVTDQ2PD X2, Y2
	VCVTDQ2PD X3, Y3
	STORE64
	NEXT
	JNZ place
	QUAD(64, 8)
	JNZ quad
	VZEROUPPER
	RET

// func fold64f32avx2(dst *float32, up, down *float64, n, quads int, dstStep, step uintptr)
TEXT ·fold64f32avx2(SB), NOSPLIT, $0-56
	ARGS

quad:
	START

place:
	FLOATS
	VCVTPD2PSY Y2, X2
	VCVTPD2PSY Y3, X3
	STORE32
	NEXT
	JNZ place
	QUAD(32, 32)
	JNZ quad
	VZEROUPPER
	RET

// func fold64f64avx2(dst *float64, up, down *float64, n, quads int, dstStep, step uintptr)
TEXT ·fold64f64avx2(SB), NOSPLIT, $0-56
	ARGS

quad:
	START

place:
	FLOATS
	STORE64
	NEXT
	JNZ place
	QUAD(64, 32)
	JNZ quad
	VZEROUPPER
	RET
