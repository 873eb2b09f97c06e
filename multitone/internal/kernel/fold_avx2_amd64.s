//go:build !purego

#include "textflag.h"

// Four channels at a time, all places of them before the next four: registers as in
// fold_avx512_amd64.s, but that BX counts the fours. Y2 holds sums, Y3 differences.

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

// FOLD is the whole of a function: load, convert and store a place of four channels.
#define FOLD(load, convert, store, dstBytes, bytes) \
	ARGS;               \
quad:                   \
	START;              \
place:                  \
	load;               \
	convert;            \
	store;              \
	ADDQ R8, R11;       \
	ADDQ R9, R12;       \
	SUBQ R9, R13;       \
	DECQ AX;            \
	JNZ place;          \
	ADDQ $dstBytes, DI; \
	ADDQ $bytes, SI;    \
	ADDQ $bytes, DX;    \
	DECQ BX;            \
	JNZ quad;           \
	VZEROUPPER;         \
	RET

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

// From counts and from floats to singles, from counts to doubles, from floats to those.
#define COUNTS32 VCVTDQ2PS X2, X2; VCVTDQ2PS X3, X3
#define FLOATS32 VCVTPD2PSY Y2, X2; VCVTPD2PSY Y3, X3
#define COUNTS64 VCVTDQ2PD X2, Y2; VCVTDQ2PD X3, Y3
#define FLOATS64

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

// func fold16f32avx2(dst *float32, up, down *int16, n, quads int, dstStep, step uintptr)
TEXT ·fold16f32avx2(SB), NOSPLIT, $0-56
	FOLD(COUNTS, COUNTS32, STORE32, 32, 8)

// func fold16f64avx2(dst *float64, up, down *int16, n, quads int, dstStep, step uintptr)
TEXT ·fold16f64avx2(SB), NOSPLIT, $0-56
	FOLD(COUNTS, COUNTS64, STORE64, 64, 8)

// func fold64f32avx2(dst *float32, up, down *float64, n, quads int, dstStep, step uintptr)
TEXT ·fold64f32avx2(SB), NOSPLIT, $0-56
	FOLD(FLOATS, FLOATS32, STORE32, 32, 32)

// func fold64f64avx2(dst *float64, up, down *float64, n, quads int, dstStep, step uintptr)
TEXT ·fold64f64avx2(SB), NOSPLIT, $0-56
	FOLD(FLOATS, FLOATS64, STORE64, 64, 32)
