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
	MOVQ $0xff, AX;         \
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

// What is done for each of many vectors is done by an op. In an op(z, y, i, base)
// vector z, whose lower half is y, holds channel i of the group whose sums, held sums
// or samples base leads to.
// In an op(i, a, b) vectors a and b hold the same channel i.

#define FIRST8(op, base) \
	op(Z0, Y0, 0, base); \
	op(Z1, Y1, 1, base); \
	op(Z2, Y2, 2, base); \
	op(Z3, Y3, 3, base); \
	op(Z4, Y4, 4, base); \
	op(Z5, Y5, 5, base); \
	op(Z6, Y6, 6, base); \
	op(Z7, Y7, 7, base)

#define SECOND8(op, base) \
	op(Z8, Y8, 0, base);  \
	op(Z9, Y9, 1, base);  \
	op(Z10, Y10, 2, base); \
	op(Z11, Y11, 3, base); \
	op(Z12, Y12, 4, base); \
	op(Z13, Y13, 5, base); \
	op(Z14, Y14, 6, base); \
	op(Z15, Y15, 7, base)

#define FIRST12(op, base) \
	FIRST8(op, base); \
	op(Z8, Y8, 8, base);  \
	op(Z9, Y9, 9, base);  \
	op(Z10, Y10, 10, base); \
	op(Z11, Y11, 11, base)

#define SECOND12(op, base) \
	op(Z12, Y12, 0, base);  \
	op(Z13, Y13, 1, base);  \
	op(Z14, Y14, 2, base);  \
	op(Z15, Y15, 3, base);  \
	op(Z16, Y16, 4, base);  \
	op(Z17, Y17, 5, base);  \
	op(Z18, Y18, 6, base);  \
	op(Z19, Y19, 7, base);  \
	op(Z20, Y20, 8, base);  \
	op(Z21, Y21, 9, base);  \
	op(Z22, Y22, 10, base); \
	op(Z23, Y23, 11, base)

#define PAIRS8(op) \
	op(0, Z0, Z8);  \
	op(1, Z1, Z9);  \
	op(2, Z2, Z10); \
	op(3, Z3, Z11); \
	op(4, Z4, Z12); \
	op(5, Z5, Z13); \
	op(6, Z6, Z14); \
	op(7, Z7, Z15)

#define PAIRS12(op) \
	op(0, Z0, Z12);  \
	op(1, Z1, Z13);  \
	op(2, Z2, Z14);  \
	op(3, Z3, Z15);  \
	op(4, Z4, Z16);  \
	op(5, Z5, Z17);  \
	op(6, Z6, Z18);  \
	op(7, Z7, Z19);  \
	op(8, Z8, Z20);  \
	op(9, Z9, Z21);  \
	op(10, Z10, Z22); \
	op(11, Z11, Z23)

#define ZERO(z, y, i, base) VPXORQ z, z, z

#define ZERO8 FIRST8(ZERO, 0)
#define ZERO16 FIRST8(ZERO, 0); SECOND8(ZERO, 0)
#define ZERO24 FIRST12(ZERO, 0); SECOND12(ZERO, 0)

// WIDEN makes 16 floats the doubles in Z30 and Z31.
#define WIDEN(z, y) \
	VEXTRACTF64X4 $1, z, Y31; \
	VCVTPS2PD     y, Z30;     \
	VCVTPS2PD     Y31, Z31

// SET32 makes 16 floats the sums, ADD32 and ADD64 add to those that K1 keeps.
#define SET32(z, y, i, base) \
	WIDEN(z, y);                       \
	VMOVUPD       Z30, (128*i)(base);  \
	VMOVUPD       Z31, (128*i+64)(base)

#define ADD32(z, y, i, base) \
	WIDEN(z, y);                                  \
	VADDPD        (128*i)(base), Z30, K1, Z30;    \
	VADDPD        (128*i+64)(base), Z31, K1, Z31; \
	VMOVUPD       Z30, (128*i)(base);             \
	VMOVUPD       Z31, (128*i+64)(base)

#define ADD64(i, a, b) \
	VADDPD  (128*i)(DI), a, K1, a;    \
	VMOVUPD a, (128*i)(DI);           \
	VADDPD  (128*i+64)(DI), b, K1, b; \
	VMOVUPD b, (128*i+64)(DI)

// JOIN adds the sums that are held, HOLD stores them there.
#define JOIN(z, y, i, base) VADDPS (64*i)(base), z, z
#define HOLD(z, y, i, base) VMOVUPS z, (64*i)(base)

// PAIR32 adds a channel's products with two groups' tables, in Z24 and Z25.
#define PAIR32(i, a, b) \
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
	ZERO24

place:
	PLACE(PAIRS12)
	JNZ  place

	TESTQ R14, R14
	JEQ   apart
	FIRST12(JOIN, R13)
	SECOND12(JOIN, AX)

apart:
	TESTQ R15, R15
	JNE   hold
	CMPQ  48(BX), $0
	JNE   hold
	KEEP
	TESTQ CX, CX
	JEQ   set
	FIRST12(ADD32, DI)
	SECOND12(ADD32, R10)
	VZEROUPPER
	RET

set:
	FIRST12(SET32, DI)
	SECOND12(SET32, R10)
	VZEROUPPER
	RET

hold:
	FIRST12(HOLD, R13)
	SECOND12(HOLD, AX)
	MOVQ  $1, R14
	TESTQ R15, R15
	JNE   next
	VZEROUPPER
	RET

// WAITING lists the vectors of a first chain of eight channels and where they wait
// for the second: those that find no register on the stack.
#define WAITING(op) \
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
	ZERO16

place:
	PLACE(PAIRS8)
	JNZ  place
	TESTQ R15, R15
	JEQ  done

	// Two chains at the most.
	WAITING(LEAVE)
	VMOVUPS Z13, first-64(SP)
	VMOVUPS Z14, first-128(SP)
	VMOVUPS Z15, first-192(SP)
	MOVQ R15, CX
	ZERO16

more:
	PLACE(PAIRS8)
	JNZ  more
	WAITING(FETCH)
	VADDPS first-64(SP), Z13, Z13
	VADDPS first-128(SP), Z14, Z14
	VADDPS first-192(SP), Z15, Z15

done:
	TESTQ R14, R14
	JEQ   apart
	FIRST8(JOIN, R13)
	SECOND8(JOIN, AX)

apart:
	CMPQ  48(BX), $0
	JNE   hold
	KEEP
	FIRST8(ADD32, DI)
	SECOND8(ADD32, R10)
	VZEROUPPER
	RET

hold:
	FIRST8(HOLD, R13)
	SECOND8(HOLD, AX)
	VZEROUPPER
	RET

// ONE32 adds a channel's products with the table in Z24.
#define ONE32(z, y, i, base) \
	VBROADCASTSD (8*i)(base), Z26; \
	VFMADD231PS  Z24, Z26, z

#define JOIN32(i, a, b) VADDPS b, a, a
#define JOIN64(i, a, b) VADDPD b, a, a

// func tile12f32avx512(sums *complex128, table, fold *float32, n int, foldStep uintptr)
TEXT ·tile12f32avx512(SB), NOSPLIT, $0-40
	ARGS
	ZERO24

place:
	VMOVUPS (SI), Z24
	FIRST12(ONE32, DX)
	ADDQ R8, DX
	VMOVUPS 64(SI), Z24
	SECOND12(ONE32, DX)
	ADDQ $128, SI
	ADDQ R8, DX
	SUBQ $2, CX
	JNZ  place

	PAIRS12(JOIN32)
	FIRST12(ADD32, DI)
	VZEROUPPER
	RET

#define FOUR32(off, a, b, c, d) \
	VMOVUPS off(SI), Z24;  \
	ONE32(a, a, 0, DX);    \
	ONE32(b, b, 1, DX);    \
	ONE32(c, c, 2, DX);    \
	ONE32(d, d, 3, DX);    \
	ADDQ R8, DX

// func tile4f32avx512(sums *complex128, table, fold *float32, n int, foldStep uintptr)
TEXT ·tile4f32avx512(SB), NOSPLIT, $0-40
	ARGS
	ZERO16

place:
	FOUR32(0, Z0, Z1, Z2, Z3)
	FOUR32(64, Z4, Z5, Z6, Z7)
	FOUR32(128, Z8, Z9, Z10, Z11)
	FOUR32(192, Z12, Z13, Z14, Z15)
	ADDQ $256, SI
	SUBQ $4, CX
	JNZ  place

	VADDPS Z4, Z0, Z0
	VADDPS Z5, Z1, Z1
	VADDPS Z6, Z2, Z2
	VADDPS Z7, Z3, Z3
	VADDPS Z12, Z8, Z8
	VADDPS Z13, Z9, Z9
	VADDPS Z14, Z10, Z10
	VADDPS Z15, Z11, Z11
	VADDPS Z8, Z0, Z0
	VADDPS Z9, Z1, Z1
	VADDPS Z10, Z2, Z2
	VADDPS Z11, Z3, Z3
	ADD32(Z0, Y0, 0, DI)
	ADD32(Z1, Y1, 1, DI)
	ADD32(Z2, Y2, 2, DI)
	ADD32(Z3, Y3, 3, DI)
	VZEROUPPER
	RET

#define NEXT32(off, a) \
	VBROADCASTSD (DX), Z26;          \
	VFMADD231PS  off(SI), Z26, a;    \
	ADDQ         R8, DX

// func tile1f32avx512(sums *complex128, table, fold *float32, n int, foldStep uintptr)
TEXT ·tile1f32avx512(SB), NOSPLIT, $0-40
	ARGS
	ZERO8

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
#define PAIR64(i, a, b) \
	VBROADCASTF64X2 (16*i)(DX), Z26; \
	VFMADD231PD     Z24, Z26, a;  \
	VFMADD231PD     Z25, Z26, b

// func tile12f64avx512(sums *complex128, table, fold *float64, n int, foldStep uintptr)
TEXT ·tile12f64avx512(SB), NOSPLIT, $0-40
	ARGS
	ZERO24

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
	PAIR64(0, a, e);           \
	PAIR64(1, b, f);           \
	PAIR64(2, c, g);           \
	PAIR64(3, d, h);           \
	ADDQ R8, DX

// func tile4f64avx512(sums *complex128, table, fold *float64, n int, foldStep uintptr)
TEXT ·tile4f64avx512(SB), NOSPLIT, $0-40
	ARGS
	ZERO16

place:
	FOUR64(0, Z0, Z1, Z2, Z3, Z4, Z5, Z6, Z7)
	FOUR64(128, Z8, Z9, Z10, Z11, Z12, Z13, Z14, Z15)
	ADDQ $256, SI
	SUBQ $2, CX
	JNZ  place

	PAIRS8(JOIN64)
	ADD64(0, Z0, Z4)
	ADD64(1, Z1, Z5)
	ADD64(2, Z2, Z6)
	ADD64(3, Z3, Z7)
	VZEROUPPER
	RET

#define NEXT64(off, a, b) \
	VBROADCASTF64X2 (DX), Z26;             \
	VFMADD231PD     off(SI), Z26, a;       \
	VFMADD231PD     (off+64)(SI), Z26, b;  \
	ADDQ            R8, DX

// func tile1f64avx512(sums *complex128, table, fold *float64, n int, foldStep uintptr)
TEXT ·tile1f64avx512(SB), NOSPLIT, $0-40
	ARGS
	ZERO8

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
	ADD64(0, Z0, Z4)
	VZEROUPPER
	RET
