//go:build !purego

#include "textflag.h"

// As in tiles_avx512_amd64.s, with vectors of half the width.

#define ARGS \
	MOVQ sums+0(FP), DI;    \
	MOVQ table+8(FP), SI;   \
	MOVQ fold+16(FP), DX;   \
	MOVQ n+24(FP), CX;      \
	MOVQ foldStep+32(FP), R8

#define ZERO(y) VPXOR y, y, y

// ADD32 adds 8 floats to 8 doubles at off(DI).
#define ADD32(y, x, off) \
	VEXTRACTF128 $1, y, X15;            \
	VCVTPS2PD    x, Y14;                \
	VCVTPS2PD    X15, Y15;              \
	VADDPD       (off)(DI), Y14, Y14;   \
	VADDPD       (off+32)(DI), Y15, Y15; \
	VMOVUPD      Y14, (off)(DI);        \
	VMOVUPD      Y15, (off+32)(DI)

#define ADD64(y, off) \
	VADDPD  (off)(DI), y, y; \
	VMOVUPD y, (off)(DI)

#define NEXT32(off, a, b) \
	VBROADCASTSD (DX), Y10;              \
	VFMADD231PS  off(SI), Y10, a;        \
	VFMADD231PS  (off+32)(SI), Y10, b;   \
	ADDQ         R8, DX

// func tile1f32avx2(sums *complex128, table, fold *float32, n int, foldStep, keep uintptr)
TEXT ·tile1f32avx2(SB), NOSPLIT, $0-48
	ARGS
	ZERO(Y0); ZERO(Y1); ZERO(Y2); ZERO(Y3); ZERO(Y4); ZERO(Y5); ZERO(Y6); ZERO(Y7)

place:
	NEXT32(0, Y0, Y4)
	NEXT32(64, Y1, Y5)
	NEXT32(128, Y2, Y6)
	NEXT32(192, Y3, Y7)
	ADDQ $256, SI
	SUBQ $4, CX
	JNZ  place

	VADDPS Y1, Y0, Y0
	VADDPS Y3, Y2, Y2
	VADDPS Y5, Y4, Y4
	VADDPS Y7, Y6, Y6
	VADDPS Y2, Y0, Y0
	VADDPS Y6, Y4, Y4
	ADD32(Y0, X0, 0)
	ADD32(Y4, X4, 64)
	VZEROUPPER
	RET

#define QUAD64(f, a, b, c, d) \
	VBROADCASTF128 f, Y12;       \
	VFMADD231PD    Y8, Y12, a;   \
	VFMADD231PD    Y9, Y12, b;   \
	VFMADD231PD    Y10, Y12, c;  \
	VFMADD231PD    Y11, Y12, d

// func tile2f64avx2(sums *complex128, table, fold *float64, n int, foldStep, keep uintptr)
TEXT ·tile2f64avx2(SB), NOSPLIT, $0-48
	ARGS
	ZERO(Y0); ZERO(Y1); ZERO(Y2); ZERO(Y3); ZERO(Y4); ZERO(Y5); ZERO(Y6); ZERO(Y7)

place:
	VMOVUPD (SI), Y8
	VMOVUPD 32(SI), Y9
	VMOVUPD 64(SI), Y10
	VMOVUPD 96(SI), Y11
	QUAD64((DX), Y0, Y1, Y2, Y3)
	QUAD64(16(DX), Y4, Y5, Y6, Y7)
	ADDQ R8, DX
	ADDQ $128, SI
	DECQ CX
	JNZ  place

	ADD64(Y0, 0)
	ADD64(Y1, 32)
	ADD64(Y2, 64)
	ADD64(Y3, 96)
	ADD64(Y4, 128)
	ADD64(Y5, 160)
	ADD64(Y6, 192)
	ADD64(Y7, 224)
	VZEROUPPER
	RET

#define NEXT64(off, a, b, c, d) \
	VBROADCASTF128 (DX), Y12;             \
	VFMADD231PD    off(SI), Y12, a;       \
	VFMADD231PD    (off+32)(SI), Y12, b;  \
	VFMADD231PD    (off+64)(SI), Y12, c;  \
	VFMADD231PD    (off+96)(SI), Y12, d;  \
	ADDQ           R8, DX

// func tile1f64avx2(sums *complex128, table, fold *float64, n int, foldStep, keep uintptr)
TEXT ·tile1f64avx2(SB), NOSPLIT, $0-48
	ARGS
	ZERO(Y0); ZERO(Y1); ZERO(Y2); ZERO(Y3); ZERO(Y4); ZERO(Y5); ZERO(Y6); ZERO(Y7)

place:
	NEXT64(0, Y0, Y1, Y2, Y3)
	NEXT64(128, Y4, Y5, Y6, Y7)
	ADDQ $256, SI
	SUBQ $2, CX
	JNZ  place

	VADDPD Y4, Y0, Y0
	VADDPD Y5, Y1, Y1
	VADDPD Y6, Y2, Y2
	VADDPD Y7, Y3, Y3
	ADD64(Y0, 0)
	ADD64(Y1, 32)
	ADD64(Y2, 64)
	ADD64(Y3, 96)
	VZEROUPPER
	RET
