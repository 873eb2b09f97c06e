//go:build !purego

#include "textflag.h"

// Sums are complex128, 8 a channel and group of rows: 128 bytes. A place of the
// table is 8 pairs (even, odd); a channel's (sum, difference) is broadcast as a
// pair, so lanes alternate. K1 says whether to add to the sums or to overwrite
// them: the addition is masked.

#define ARGS \
	MOVQ sums+0(FP), DI;    \
	MOVQ table+8(FP), SI;   \
	MOVQ fold+16(FP), DX;   \
	MOVQ n+24(FP), CX;      \
	MOVQ foldStep+32(FP), R8; \
	MOVQ keep+40(FP), AX;   \
	KMOVW AX, K1

// The products of two groups are summed over up to 32 places in one register each.
// These sums join, still in float32, in what is held; the last of them are then added
// to the sums. PAIR reads the fields of a tilePair: R9 and R10 lead to the
// second group's table and sums, AX to what is held for it; R14 tells whether
// anything is. R15 is n, then the number of places that are left.
#define PAIR \
	MOVQ sums+0(FP), DI;   \
	MOVQ held+8(FP), R13;  \
	MOVQ table+16(FP), SI; \
	MOVQ fold+24(FP), DX;  \
	MOVQ p+32(FP), BX;     \
	MOVQ 0(BX), R15;       \
	MOVQ 8(BX), R8;        \
	MOVQ 16(BX), R9;       \
	ADDQ SI, R9;           \
	MOVQ 24(BX), R10;      \
	MOVQ R10, AX;          \
	SHRQ $1, AX;           \
	ADDQ R13, AX;          \
	ADDQ DI, R10;          \
	MOVQ 40(BX), R14

// CHAIN: CX is the number of places of the next chain, R15 of those behind it.
#define CHAIN \
	MOVQ    $32, CX;  \
	CMPQ    R15, CX;  \
	CMOVQLT R15, CX;  \
	SUBQ    CX, R15

#define KEEP \
	MOVQ 32(BX), CX; \
	KMOVW CX, K1

// What is done for each channel i is done by an op(i, a, ya, b, yb): vectors a and b,
// whose lower halves are ya and yb, hold the sums of two groups or of two places.

#define PAIRS4(op) \
	op(0, Z0, Y0, Z4, Y4); \
	op(1, Z1, Y1, Z5, Y5); \
	op(2, Z2, Y2, Z6, Y6); \
	op(3, Z3, Y3, Z7, Y7)

#define PAIRS8(op) \
	op(0, Z0, Y0, Z8, Y8); \
	op(1, Z1, Y1, Z9, Y9); \
	op(2, Z2, Y2, Z10, Y10); \
	op(3, Z3, Y3, Z11, Y11); \
	op(4, Z4, Y4, Z12, Y12); \
	op(5, Z5, Y5, Z13, Y13); \
	op(6, Z6, Y6, Z14, Y14); \
	op(7, Z7, Y7, Z15, Y15)

#define PAIRS12(op) \
	op(0, Z0, Y0, Z12, Y12); \
	op(1, Z1, Y1, Z13, Y13); \
	op(2, Z2, Y2, Z14, Y14); \
	op(3, Z3, Y3, Z15, Y15); \
	op(4, Z4, Y4, Z16, Y16); \
	op(5, Z5, Y5, Z17, Y17); \
	op(6, Z6, Y6, Z18, Y18); \
	op(7, Z7, Y7, Z19, Y19); \
	op(8, Z8, Y8, Z20, Y20); \
	op(9, Z9, Y9, Z21, Y21); \
	op(10, Z10, Y10, Z22, Y22); \
	op(11, Z11, Y11, Z23, Y23)

#define ZERO(i, a, ya, b, yb) \
	VPXORQ a, a, a; \
	VPXORQ b, b, b

// ADD32 and ADD64 add to the sums that K1 keeps, 16 floats or doubles.
#define ADD32(z, y, i, base) \
	VEXTRACTF64X4 $1, z, Y31;                     \
	VCVTPS2PD     y, Z30;                         \
	VCVTPS2PD     Y31, Z31;                       \
	VADDPD        (128*i)(base), Z30, K1, Z30;    \
	VADDPD        (128*i+64)(base), Z31, K1, Z31; \
	VMOVUPD       Z30, (128*i)(base);             \
	VMOVUPD       Z31, (128*i+64)(base)

#define ADD(i, a, ya, b, yb) \
	ADD32(a, ya, i, DI); \
	ADD32(b, yb, i, R10)

#define ADDFIRST(i, a, ya, b, yb) ADD32(a, ya, i, DI)

#define ADD64(i, a, ya, b, yb) \
	VADDPD  (128*i)(DI), a, K1, a;    \
	VMOVUPD a, (128*i)(DI);           \
	VADDPD  (128*i+64)(DI), b, K1, b; \
	VMOVUPD b, (128*i+64)(DI)

// JOIN adds the sums that are held, HOLD stores them there.
#define JOIN(i, a, ya, b, yb) \
	VADDPS (64*i)(R13), a, a; \
	VADDPS (64*i)(AX), b, b

#define HOLD(i, a, ya, b, yb) \
	VMOVUPS a, (64*i)(R13); \
	VMOVUPS b, (64*i)(AX)

// PAIR32 adds a channel's products with two groups' tables, in Z24 and Z25.
#define PAIR32(i, a, ya, b, yb) \
	VBROADCASTSD (8*i)(DX), Z26; \
	VFMADD231PS  Z24, Z26, a;    \
	VFMADD231PS  Z25, Z26, b

// PLACE is a place of the channels of two groups.
#define PLACE(channels) \
	PREFETCHT0 (R11);   \
	PREFETCHT0 (R12);   \
	ADDQ $64, R11;      \
	SUBQ $64, R12;      \
	VMOVUPS (SI), Z24;  \
	VMOVUPS (R9), Z25;  \
	channels(PAIR32);   \
	ADDQ $64, SI;       \
	ADDQ $64, R9;       \
	ADDQ R8, DX;        \
	DECQ CX

// func tile12x2f32avx512(sums *complex128, held, table, fold *float32, p *tilePair)
TEXT ·tile12x2f32avx512(SB), NOSPLIT, $0-40
	PAIR
	MOVQ 56(BX), R11
	MOVQ 64(BX), R12

next:
	CHAIN
	PAIRS12(ZERO)

place:
	PLACE(PAIRS12)
	JNZ  place

	TESTQ R14, R14
	JEQ   apart
	PAIRS12(JOIN)

apart:
	TESTQ R15, R15
	JNE   hold
	CMPQ  48(BX), $0
	JNE   hold
	KEEP
	PAIRS12(ADD)
	VZEROUPPER
	RET

hold:
	PAIRS12(HOLD)
	MOVQ  $1, R14
	TESTQ R15, R15
	JNE   next
	VZEROUPPER
	RET

// KEPT lists the vectors of a first chain of eight channels and where they are kept
// during the second: those that find no register, on the stack.
#define KEPT(op) \
	op(Z0, Z16);  \
	op(Z1, Z17);  \
	op(Z2, Z18);  \
	op(Z3, Z19);  \
	op(Z4, Z20);  \
	op(Z5, Z21);  \
	op(Z6, Z22);  \
	op(Z7, Z23);  \
	op(Z8, Z27);  \
	op(Z9, Z28);  \
	op(Z10, Z29); \
	op(Z11, Z30); \
	op(Z12, Z31)

#define LEAVE(z, w) VMOVAPS z, w
#define FETCH(z, w) VADDPS w, z, z

// func tile8x2f32avx512(sums *complex128, held, table, fold *float32, p *tilePair)
TEXT ·tile8x2f32avx512(SB), NOSPLIT, $192-40
	PAIR
	MOVQ 56(BX), R11
	MOVQ 64(BX), R12
	CHAIN
	PAIRS8(ZERO)

place:
	PLACE(PAIRS8)
	JNZ  place
	TESTQ R15, R15
	JEQ  done

	// Two chains at the most.
	KEPT(LEAVE)
	VMOVUPS Z13, first-64(SP)
	VMOVUPS Z14, first-128(SP)
	VMOVUPS Z15, first-192(SP)
	MOVQ R15, CX
	PAIRS8(ZERO)

more:
	PLACE(PAIRS8)
	JNZ  more
	KEPT(FETCH)
	VADDPS first-64(SP), Z13, Z13
	VADDPS first-128(SP), Z14, Z14
	VADDPS first-192(SP), Z15, Z15

done:
	TESTQ R14, R14
	JEQ   apart
	PAIRS8(JOIN)

apart:
	CMPQ  48(BX), $0
	JNE   hold
	KEEP
	PAIRS8(ADD)
	VZEROUPPER
	RET

hold:
	PAIRS8(HOLD)
	VZEROUPPER
	RET

// BOTH32 adds a channel's products of two places, whose tables are in Z24 and Z25.
#define BOTH32(i, a, ya, b, yb) \
	VBROADCASTSD (8*i)(DX), Z26;       \
	VBROADCASTSD (8*i)(DX)(R8*1), Z27; \
	VFMADD231PS  Z24, Z26, a;          \
	VFMADD231PS  Z25, Z27, b

#define JOIN32(i, a, ya, b, yb) VADDPS b, a, a
#define JOIN64(i, a, ya, b, yb) VADDPD b, a, a

// func tile12f32avx512(sums *complex128, table, fold *float32, n int, foldStep, keep uintptr)
TEXT ·tile12f32avx512(SB), NOSPLIT, $0-48
	ARGS
	PAIRS12(ZERO)

place:
	VMOVUPS (SI), Z24
	VMOVUPS 64(SI), Z25
	PAIRS12(BOTH32)
	ADDQ $128, SI
	LEAQ (DX)(R8*2), DX
	SUBQ $2, CX
	JNZ  place

	PAIRS12(JOIN32)
	PAIRS12(ADDFIRST)
	VZEROUPPER
	RET

// ONE32 adds a channel's products with the table in Z24.
#define ONE32(i, z) \
	VBROADCASTSD (8*i)(DX), Z26; \
	VFMADD231PS  Z24, Z26, z

#define FOUR32(off, a, b, c, d) \
	VMOVUPS off(SI), Z24; \
	ONE32(0, a);          \
	ONE32(1, b);          \
	ONE32(2, c);          \
	ONE32(3, d);          \
	ADDQ R8, DX

// func tile4f32avx512(sums *complex128, table, fold *float32, n int, foldStep, keep uintptr)
TEXT ·tile4f32avx512(SB), NOSPLIT, $0-48
	ARGS
	PAIRS8(ZERO)

place:
	FOUR32(0, Z0, Z1, Z2, Z3)
	FOUR32(64, Z8, Z9, Z10, Z11)
	FOUR32(128, Z4, Z5, Z6, Z7)
	FOUR32(192, Z12, Z13, Z14, Z15)
	ADDQ $256, SI
	SUBQ $4, CX
	JNZ  place

	PAIRS8(JOIN32)
	PAIRS4(JOIN32)
	PAIRS4(ADDFIRST)
	VZEROUPPER
	RET

#define NEXT32(off, a) \
	VBROADCASTSD (DX), Z26;          \
	VFMADD231PS  off(SI), Z26, a;    \
	ADDQ         R8, DX

// func tile1f32avx512(sums *complex128, table, fold *float32, n int, foldStep, keep uintptr)
TEXT ·tile1f32avx512(SB), NOSPLIT, $0-48
	ARGS
	PAIRS4(ZERO)

place:
	NEXT32(0, Z0)
	NEXT32(64, Z1)
	NEXT32(128, Z2)
	NEXT32(192, Z3)
	NEXT32(256, Z4)
	NEXT32(320, Z5)
	NEXT32(384, Z6)
	NEXT32(448, Z7)
	ADDQ $512, SI
	SUBQ $8, CX
	JNZ  place

	VADDPS Z1, Z0, Z0
	VADDPS Z3, Z2, Z2
	VADDPS Z5, Z4, Z4
	VADDPS Z7, Z6, Z6
	VADDPS Z2, Z0, Z0
	VADDPS Z6, Z4, Z4
	VADDPS Z4, Z0, Z0
	ADD32(Z0, Y0, 0, DI)
	VZEROUPPER
	RET

// PAIR64 is PAIR32 with the two halves of a group's table.
#define PAIR64(i, a, ya, b, yb) \
	VBROADCASTF64X2 (16*i)(DX), Z26; \
	VFMADD231PD     Z24, Z26, a;  \
	VFMADD231PD     Z25, Z26, b

// func tile12f64avx512(sums *complex128, table, fold *float64, n int, foldStep, keep uintptr)
TEXT ·tile12f64avx512(SB), NOSPLIT, $0-48
	ARGS
	PAIRS12(ZERO)

place:
	VMOVUPD (SI), Z24
	VMOVUPD 64(SI), Z25
	PAIRS12(PAIR64)
	ADDQ $128, SI
	ADDQ R8, DX
	DECQ CX
	JNZ  place

	PAIRS12(ADD64)
	VZEROUPPER
	RET

#define FOUR64(off, a, b, c, d, e, f, g, h) \
	VMOVUPD off(SI), Z24;      \
	VMOVUPD (off+64)(SI), Z25; \
	PAIR64(0, a, a, e, e);         \
	PAIR64(1, b, b, f, f);         \
	PAIR64(2, c, c, g, g);         \
	PAIR64(3, d, d, h, h);         \
	ADDQ R8, DX

// func tile4f64avx512(sums *complex128, table, fold *float64, n int, foldStep, keep uintptr)
TEXT ·tile4f64avx512(SB), NOSPLIT, $0-48
	ARGS
	PAIRS8(ZERO)

place:
	FOUR64(0, Z0, Z1, Z2, Z3, Z4, Z5, Z6, Z7)
	FOUR64(128, Z8, Z9, Z10, Z11, Z12, Z13, Z14, Z15)
	ADDQ $256, SI
	SUBQ $2, CX
	JNZ  place

	PAIRS8(JOIN64)
	PAIRS4(ADD64)
	VZEROUPPER
	RET

#define NEXT64(off, a, b) \
	VBROADCASTF64X2 (DX), Z26;             \
	VFMADD231PD     off(SI), Z26, a;       \
	VFMADD231PD     (off+64)(SI), Z26, b;  \
	ADDQ            R8, DX

// func tile1f64avx512(sums *complex128, table, fold *float64, n int, foldStep, keep uintptr)
TEXT ·tile1f64avx512(SB), NOSPLIT, $0-48
	ARGS
	PAIRS4(ZERO)

place:
	NEXT64(0, Z0, Z4)
	NEXT64(128, Z1, Z5)
	NEXT64(256, Z2, Z6)
	NEXT64(384, Z3, Z7)
	ADDQ $512, SI
	SUBQ $4, CX
	JNZ  place

	VADDPD Z1, Z0, Z0
	VADDPD Z3, Z2, Z2
	VADDPD Z5, Z4, Z4
	VADDPD Z7, Z6, Z6
	VADDPD Z2, Z0, Z0
	VADDPD Z6, Z4, Z4
	ADD64(0, Z0, Y0, Z4, Y4)
	VZEROUPPER
	RET
