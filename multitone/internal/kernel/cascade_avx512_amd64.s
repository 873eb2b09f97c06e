//go:build !purego

#include "textflag.h"

// Eight tones' complex numbers are two vectors, which go one after the other. Z0 to
// Z3 hold a vector of the four old moments, turned, then the new ones; Z4 to Z9 the
// block's; Z20 to Z23 the turns' real and imaginary parts for either vector; Z18 and
// Z19 the outputs. SI leads to the old moments; DX, R9 to R13, R8 and AX to the
// block's moments 0 to 7.

#define ARGS \
	MOVQ state+0(FP), SI;         \
	MOVQ moments+8(FP), DX;       \
	MOVQ out+16(FP), DI;          \
	MOVQ channels+24(FP), CX;     \
	MOVQ step+32(FP), R8;         \
	MOVQ coefficients+40(FP), BX; \
	MOVQ turns+48(FP), AX;        \
	VMOVUPD (AX), Z20;            \
	VMOVUPD 64(AX), Z21;          \
	VMOVUPD 128(AX), Z22;         \
	VMOVUPD 192(AX), Z23;         \
	LEAQ (DX)(R8*1), R9;          \
	LEAQ (DX)(R8*2), R10;         \
	LEAQ (R9)(R8*2), R11;         \
	LEAQ (R10)(R8*2), R12;        \
	LEAQ (R11)(R8*2), R13;        \
	LEAQ (R13)(R8*2), AX;         \
	LEAQ (R12)(R8*2), R8

// TURN loads a moment and multiplies it by the turn.
#define TURN(off, re, im, z) \
	VMOVUPD        (off)(SI), z;  \
	VPERMILPD      $0x55, z, Z30; \
	VMULPD         im, Z30, Z30;  \
	VFMADDSUB213PD Z30, re, z

#define ADD(n, q, z) VFMADD231PD.BCST (8*n)(BX), q, z

#define MUL(n, q, z) VMULPD.BCST (8*n)(BX), q, z

// BASE is all that four moments of the block give.
#define BASE(o, re, im) \
	TURN(o, re, im, Z0);      \
	TURN(o+128, re, im, Z1);  \
	TURN(o+256, re, im, Z2);  \
	TURN(o+384, re, im, Z3);  \
	VMOVUPD   (o)(DX), Z4;    \
	VPERMILPD $0x55, (o)(R9), Z5;  \
	VMOVUPD   (o)(R10), Z6;   \
	VPERMILPD $0x55, (o)(R11), Z7; \
	ADD(3, Z0, Z3);           \
	ADD(4, Z1, Z3);           \
	ADD(5, Z2, Z3);           \
	ADD(1, Z0, Z2);           \
	ADD(2, Z1, Z2);           \
	ADD(0, Z0, Z1);           \
	ADD(6, Z4, Z0);           \
	ADD(7, Z5, Z0);           \
	ADD(8, Z6, Z0);           \
	ADD(9, Z7, Z0);           \
	ADD(14, Z5, Z1);          \
	ADD(15, Z6, Z1);          \
	ADD(16, Z7, Z1);          \
	ADD(21, Z6, Z2);          \
	ADD(22, Z7, Z2);          \
	ADD(27, Z7, Z3)

// EVEN and ODD add a moment from where p points, by its coefficients for the
// four.
#define EVEN(p, o, a, b, c, d) \
	VMOVUPD (o)(p), Z8; \
	ADD(a, Z8, Z0);     \
	ADD(b, Z8, Z1);     \
	ADD(c, Z8, Z2);     \
	ADD(d, Z8, Z3)

#define ODD(p, o, a, b, c, d) \
	VPERMILPD $0x55, (o)(p), Z9; \
	ADD(a, Z9, Z0);     \
	ADD(b, Z9, Z1);     \
	ADD(c, Z9, Z2);     \
	ADD(d, Z9, Z3)

// FINISH stores the moments and leaves the output in y.
#define FINISH(o, y) \
	VMOVUPD Z0, (o)(SI);     \
	VMOVUPD Z1, (o+128)(SI); \
	VMOVUPD Z2, (o+256)(SI); \
	VMOVUPD Z3, (o+384)(SI); \
	MUL(32, Z0, y);          \
	ADD(33, Z1, y);          \
	ADD(34, Z2, y);          \
	ADD(35, Z3, y)

// VECTOR advances one of the vectors, with the block's moments up to the degree in R14.
#define VECTOR(o, re, im, y, finish) \
	BASE(o, re, im);              \
	CMPQ R14, $4;                 \
	JLT  finish;                  \
	EVEN(R12, o, 10, 17, 23, 28); \
	JEQ  finish;                  \
	ODD(R13, o, 11, 18, 24, 29);  \
	CMPQ R14, $6;                 \
	JLT  finish;                  \
	EVEN(R8, o, 12, 19, 25, 30);  \
	JEQ  finish;                  \
	ODD(AX, o, 13, 20, 26, 31);   \
finish:                           \
	FINISH(o, y)

// func cascade4avx512(state, moments, out *complex128, channels int, step uintptr, coefficients, turns *float64, degree int)
TEXT ·cascade4avx512(SB), NOSPLIT, $0-64
	ARGS
	MOVQ degree+56(FP), R14

channel:
	VECTOR(0, Z20, Z22, Z18, first)
	VECTOR(64, Z21, Z23, Z19, second)
	TESTQ DI, DI // 0 without an output
	JZ    next
	VMOVUPD Z18, (DI)
	VMOVUPD Z19, 64(DI)
	ADDQ    $128, DI

next:
	ADDQ $512, SI
	ADDQ $128, DX
	ADDQ $128, R9
	ADDQ $128, R10
	ADDQ $128, R11
	ADDQ $128, R12
	ADDQ $128, R13
	ADDQ $128, R8
	ADDQ $128, AX
	DECQ CX
	JNZ  channel
	VZEROUPPER
	RET
