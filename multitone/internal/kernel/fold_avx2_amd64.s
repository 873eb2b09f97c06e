//go:build !purego

#include "textflag.h"

// Four channels at a time, all places of them before the next four: registers as in
// fold_avx512_amd64.s, but that BX counts the fours. Y2 holds sums, Y3 differences of
// floats; of counts, Y2 holds both, channel by channel.

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

// A count and its partner twice each, side by side, times 1 and 1 and 1 and −1, are
// their sum and their difference.
DATA pairs<>+0(SB)/8, $0
DATA pairs<>+8(SB)/8, $0x100000001
DATA pairs<>+16(SB)/8, $0x200000002
DATA pairs<>+24(SB)/8, $0x300000003
GLOBL pairs<>(SB), RODATA|NOPTR, $32
DATA signs<>+0(SB)/8, $0xffff000100010001
GLOBL signs<>(SB), RODATA|NOPTR, $8

#define COUNTING \
	VMOVDQU      pairs<>(SB), Y6; \
	VPBROADCASTQ signs<>(SB), Y7

#define PLAIN

// FOLD is the whole of a function: load, convert and store a place of four channels.
#define FOLD(constants, load, convert, store, dstBytes, bytes) \
	ARGS;               \
	constants;          \
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
	VMOVQ      (R12), X0;    \
	VMOVQ      (R13), X1;    \
	VPUNPCKLWD X1, X0, X0;   \
	VPERMD     Y0, Y6, Y0;   \
	VPMADDWD   Y7, Y0, Y2

#define FLOATS \
	VMOVUPD (R12), Y0;     \
	VMOVUPD (R13), Y1;     \
	VADDPD  Y1, Y0, Y2;    \
	VSUBPD  Y1, Y0, Y3

// From floats to singles and to doubles; from counts to those.
#define FLOATS32 VCVTPD2PSY Y2, X2; VCVTPD2PSY Y3, X3
#define FLOATS64
#define COUNTS32 VCVTDQ2PS Y2, Y2
#define COUNTS64 VEXTRACTI128 $1, Y2, X3; VCVTDQ2PD X2, Y4; VCVTDQ2PD X3, Y5

#define COUNTS32STORE VMOVUPS Y2, (R11)
#define COUNTS64STORE VMOVUPD Y4, (R11); VMOVUPD Y5, 32(R11)

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
	FOLD(COUNTING, COUNTS, COUNTS32, COUNTS32STORE, 32, 8)

// func fold16f64avx2(dst *float64, up, down *int16, n, quads int, dstStep, step uintptr)
TEXT ·fold16f64avx2(SB), NOSPLIT, $0-56
	FOLD(COUNTING, COUNTS, COUNTS64, COUNTS64STORE, 64, 8)

// func fold64f32avx2(dst *float32, up, down *float64, n, quads int, dstStep, step uintptr)
TEXT ·fold64f32avx2(SB), NOSPLIT, $0-56
	FOLD(PLAIN, FLOATS, FLOATS32, STORE32, 32, 32)

// func fold64f64avx2(dst *float64, up, down *float64, n, quads int, dstStep, step uintptr)
TEXT ·fold64f64avx2(SB), NOSPLIT, $0-56
	FOLD(PLAIN, FLOATS, FLOATS64, STORE64, 64, 32)
