//go:build !purego

#include "textflag.h"

// The points of a block run through the steps of ringMean together, until the last of
// them has converged; those ahead of it only get more exact.

// Constants, eight times each: operands in memory for any vector.
#define CONST(n, bits) \
	DATA ringConst<>+(64*n+0)(SB)/8, $bits;  \
	DATA ringConst<>+(64*n+8)(SB)/8, $bits;  \
	DATA ringConst<>+(64*n+16)(SB)/8, $bits; \
	DATA ringConst<>+(64*n+24)(SB)/8, $bits; \
	DATA ringConst<>+(64*n+32)(SB)/8, $bits; \
	DATA ringConst<>+(64*n+40)(SB)/8, $bits; \
	DATA ringConst<>+(64*n+48)(SB)/8, $bits; \
	DATA ringConst<>+(64*n+56)(SB)/8, $bits

#define C(n) ringConst<>+(64*n)(SB)

#define HALF 0
#define QUARTER 1
#define ONE 2
#define TWO 3
#define FOUR 4
#define SIXTEENTH 5
#define SIXTEEN 6
#define LIMIT 7
#define TAIL1 8
#define TAIL2 9
#define TAIL3 10
#define MEAN2 11
#define MEAN3 12
#define NOTANUMBER 13

CONST(0, 0x3FE0000000000000) // 1/2
CONST(1, 0x3FD0000000000000) // 1/4
CONST(2, 0x3FF0000000000000) // 1
CONST(3, 0x4000000000000000) // 2
CONST(4, 0x4010000000000000) // 4
CONST(5, 0x3FB0000000000000) // 1/16
CONST(6, 0x4030000000000000) // 16
CONST(7, 0x3F30624DD2F1A9FC) // 2.5e-4
CONST(8, 0x3FC0000000000000) // 1/8
CONST(9, 0x3FB0000000000000) // 1/16
CONST(10, 0x3FA4800000000000) // 41/1024
CONST(11, 0x3FC2000000000000) // 9/64
CONST(12, 0x3FB9000000000000) // 25/256
CONST(13, 0x7FF8000000000001) // NaN
GLOBL ringConst<>(SB), RODATA|NOPTR, $896

// RING is the whole of a function, for vectors V0 to V15 of size bytes. above leaves in
// AX whether a number of v is above a constant, within gives z the numbers of x where b
// is at most a.
//
// V0 holds ζ, V1 s, V2 d, V3 b⁴, V4 c, V5 h, V6 q and then f, V7 i, V8 c_n², V9 m, V10
// ζ² and then k·c_n², V11 τ, V12 2^(n−1), V15 X; the stack w and 1/h.
#define RING(size, above, within, V0, V1, V2, V3, V4, V5, V6, V7, V8, V9, V10, V11, V12, V13, V14, V15) \
	MOVQ k+0(FP), DI \
	MOVQ bx+8(FP), R8 \
	MOVQ by+16(FP), R9 \
	MOVQ bz+24(FP), R10 \
	MOVQ x+32(FP), R11 \
	MOVQ y+40(FP), R12 \
	MOVQ z+48(FP), R13 \
	MOVQ blocks+56(FP), CX \
	XORQ DX, DX \
block: \
	VBROADCASTSD 0(DI), V13 /* centre */ \
	VBROADCASTSD 8(DI), V14 \
	VBROADCASTSD 16(DI), V15 \
	VMOVUPD (R11)(DX*1), V10 \
	VMOVUPD (R12)(DX*1), V11 \
	VMOVUPD (R13)(DX*1), V12 \
	VSUBPD  V13, V10, V10 \
	VSUBPD  V14, V11, V11 \
	VSUBPD  V15, V12, V12 \
	VBROADCASTSD 24(DI), V13 /* axis */ \
	VBROADCASTSD 32(DI), V14 \
	VBROADCASTSD 40(DI), V15 \
	VMULPD  V13, V10, V0 /* ζ */ \
	VFMADD231PD V14, V11, V0 \
	VFMADD231PD V15, V12, V0 \
	VFNMADD231PD V13, V0, V10 /* w */ \
	VFNMADD231PD V14, V0, V11 \
	VFNMADD231PD V15, V0, V12 \
	VMULPD  V10, V10, V1 /* s */ \
	VFMADD231PD V11, V11, V1 \
	VFMADD231PD V12, V12, V1 \
	VMOVUPD V10, (0*size)(SP) \
	VMOVUPD V11, (1*size)(SP) \
	VMOVUPD V12, (2*size)(SP) \
	VBROADCASTSD 48(DI), V13 /* a² */ \
	VBROADCASTSD 56(DI), V14 /* 4a² */ \
	VMULPD  V0, V0, V10 /* ζ² */ \
	VSUBPD  V1, V13, V2 /* d */ \
	VSUBPD  V10, V2, V3 /* e */ \
	VMULPD  V3, V3, V3 /* b⁴ */ \
	VFMADD231PD V10, V14, V3 \
	VADDPD  V1, V13, V15 /* X */ \
	VADDPD  V10, V15, V15 \
	VSQRTPD V3, V6 /* q = b² */ \
	VADDPD  V6, V15, V5 \
	VMULPD  C(HALF), V5, V5 /* h */ \
	VMOVUPD C(ONE), V10 \
	VDIVPD  V5, V10, V14 /* 1/h */ \
	VMOVUPD V14, (3*size)(SP) \
	VMULPD  V1, V13, V4 \
	VMULPD  V14, V4, V4 /* c */ \
	VMOVAPD V4, V8 /* c_n² */ \
	VMOVAPD V10, V12 /* 2^(n−1); Y10 is k·c_n² */ \
	VXORPD  V11, V11, V11 /* τ */ \
	MOVL    $16, BX \
step: \
	VMULPD  V6, V5, V9 \
	VADDPD  V6, V5, V5 \
	VSQRTPD V9, V6 /* q' */ \
	VMULPD  C(QUARTER), V5, V5 \
	VFMADD231PD C(HALF), V6, V5 /* h' */ \
	VMOVUPD C(SIXTEENTH), V7 \
	VDIVPD  V5, V7, V7 /* i = 1/(16h') */ \
	VMULPD  V7, V10, V10 /* k */ \
	VMULPD  V8, V8, V8 \
	VMULPD  V7, V8, V8 /* c_n² */ \
	VMULPD  V7, V8, V9 \
	VMULPD  C(SIXTEEN), V9, V9 /* m */ \
	VADDPD  V12, V12, V12 \
	above(LIMIT, V9, V13) \
	TESTL   AX, AX \
	JZ      done \
	DECL    BX \
	JZ      done \
	VFMADD231PD V12, V10, V11 \
	VMULPD  V8, V10, V10 \
	JMP     step \
done: \
	VMOVUPD C(TAIL3), V5 \
	VFMADD213PD C(TAIL2), V9, V5 \
	VFMADD213PD C(TAIL1), V9, V5 \
	VFMADD213PD C(ONE), V9, V5 \
	VMULPD  V12, V10, V10 \
	VFMADD231PD V5, V10, V11 /* τ */ \
	VMOVUPD C(MEAN3), V6 \
	VFMADD213PD C(MEAN2), V9, V6 \
	VFMADD213PD C(QUARTER), V9, V6 \
	VFMADD213PD C(ONE), V9, V6 \
	VSQRTPD V7, V7 \
	VMULPD  V7, V6, V6 /* 1/(4M) */ \
	VBROADCASTSD 64(DI), V5 \
	VMULPD  V5, V6, V6 \
	VDIVPD  V3, V6, V6 /* f */ \
	VBROADCASTSD 72(DI), V5 \
	VMOVUPD C(NOTANUMBER), V7 \
	within(V5, V3, V7, V6) \
	VFMADD213PD C(ONE), V11, V4 \
	VMULPD  (3*size)(SP), V4, V4 /* σ/h */ \
	VMULPD  V1, V4, V1 /* t */ \
	VMOVUPD C(TWO), V7 \
	VSUBPD  V1, V7, V8 /* 2−t */ \
	VADDPD  V1, V7, V9 /* 2+t */ \
	VMULPD  V2, V8, V8 \
	VMULPD  V0, V0, V10 \
	VFMADD231PD V10, V9, V8 \
	VMULPD  V6, V8, V8 /* B_z */ \
	VMOVUPD C(FOUR), V7 \
	VFNMADD231PD V15, V4, V7 /* 4−σX/h */ \
	VMULPD  V0, V6, V6 \
	VMULPD  V7, V6, V6 /* g */ \
	VMULPD  (0*size)(SP), V6, V10 \
	VMULPD  (1*size)(SP), V6, V11 \
	VMULPD  (2*size)(SP), V6, V12 \
	VBROADCASTSD 24(DI), V13 \
	VBROADCASTSD 32(DI), V14 \
	VBROADCASTSD 40(DI), V15 \
	VFMADD231PD V13, V8, V10 \
	VFMADD231PD V14, V8, V11 \
	VFMADD231PD V15, V8, V12 \
	VMOVUPD V10, (R8)(DX*1) \
	VMOVUPD V11, (R9)(DX*1) \
	VMOVUPD V12, (R10)(DX*1) \
	ADDQ    $size, DX \
	DECQ    CX \
	JNZ     block \
	VZEROUPPER \
	RET

#define ABOVE256(n, v, mask) \
	VCMPPD    $0x1E, C(n), v, mask \
	VMOVMSKPD mask, AX

#define WITHIN256(a, b, x, z) \
	VCMPPD    $0x12, a, b, a \
	VBLENDVPD a, x, z, z

#define ABOVE512(n, v, mask) \
	VCMPPD $0x1E, C(n), v, K1 \
	KMOVB  K1, AX

#define WITHIN512(a, b, x, z) \
	VCMPPD  $0x12, a, b, K2 \
	VMOVAPD x, K2, z

// func ringFieldsAVX2(k *ring, bx, by, bz, x, y, z *float64, blocks int)
TEXT ·ringFieldsAVX2(SB), NOSPLIT, $128-64
	RING(32, ABOVE256, WITHIN256, Y0, Y1, Y2, Y3, Y4, Y5, Y6, Y7, Y8, Y9, Y10, Y11, Y12, Y13, Y14, Y15)

// func ringFieldsAVX512(k *ring, bx, by, bz, x, y, z *float64, blocks int)
TEXT ·ringFieldsAVX512(SB), NOSPLIT, $256-64
	RING(64, ABOVE512, WITHIN512, Z0, Z1, Z2, Z3, Z4, Z5, Z6, Z7, Z8, Z9, Z10, Z11, Z12, Z13, Z14, Z15)
