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

// ADD32 adds 16 floats to 16 doubles at off(base).
#define ADD32(z, y, off, base) \
	VEXTRACTF64X4 $1, z, Y31;       \
	VCVTPS2PD     y, Z30;           \
	VCVTPS2PD     Y31, Z31;         \
	VADDPD        (off)(base), Z30, K1, Z30;    \
	VADDPD        (off+64)(base), Z31, K1, Z31; \
	VMOVUPD       Z30, (off)(base);         \
	VMOVUPD       Z31, (off+64)(base)

// SET32 is ADD32 to nothing.
#define SET32(z, y, off, base) \
	VEXTRACTF64X4 $1, z, Y31;       \
	VCVTPS2PD     y, Z30;           \
	VCVTPS2PD     Y31, Z31;         \
	VMOVUPD       Z30, (off)(base); \
	VMOVUPD       Z31, (off+64)(base)

#define ADD64(z, off, base) \
	VADDPD  (off)(base), z, K1, z; \
	VMOVUPD z, (off)(base)

#define ZERO(z) VPXORQ z, z, z

#define ZERO24 \
	ZERO(Z0); ZERO(Z1); ZERO(Z2); ZERO(Z3); ZERO(Z4); ZERO(Z5);       \
	ZERO(Z6); ZERO(Z7); ZERO(Z8); ZERO(Z9); ZERO(Z10); ZERO(Z11);     \
	ZERO(Z12); ZERO(Z13); ZERO(Z14); ZERO(Z15); ZERO(Z16); ZERO(Z17); \
	ZERO(Z18); ZERO(Z19); ZERO(Z20); ZERO(Z21); ZERO(Z22); ZERO(Z23)

#define ADD24 \
	ADD32(Z0, Y0, 0, DI); \
	ADD32(Z1, Y1, 128, DI); \
	ADD32(Z2, Y2, 256, DI); \
	ADD32(Z3, Y3, 384, DI); \
	ADD32(Z4, Y4, 512, DI); \
	ADD32(Z5, Y5, 640, DI); \
	ADD32(Z6, Y6, 768, DI); \
	ADD32(Z7, Y7, 896, DI); \
	ADD32(Z8, Y8, 1024, DI); \
	ADD32(Z9, Y9, 1152, DI); \
	ADD32(Z10, Y10, 1280, DI); \
	ADD32(Z11, Y11, 1408, DI); \
	ADD32(Z12, Y12, 0, R10); \
	ADD32(Z13, Y13, 128, R10); \
	ADD32(Z14, Y14, 256, R10); \
	ADD32(Z15, Y15, 384, R10); \
	ADD32(Z16, Y16, 512, R10); \
	ADD32(Z17, Y17, 640, R10); \
	ADD32(Z18, Y18, 768, R10); \
	ADD32(Z19, Y19, 896, R10); \
	ADD32(Z20, Y20, 1024, R10); \
	ADD32(Z21, Y21, 1152, R10); \
	ADD32(Z22, Y22, 1280, R10); \
	ADD32(Z23, Y23, 1408, R10)

#define SET24 \
	SET32(Z0, Y0, 0, DI); \
	SET32(Z1, Y1, 128, DI); \
	SET32(Z2, Y2, 256, DI); \
	SET32(Z3, Y3, 384, DI); \
	SET32(Z4, Y4, 512, DI); \
	SET32(Z5, Y5, 640, DI); \
	SET32(Z6, Y6, 768, DI); \
	SET32(Z7, Y7, 896, DI); \
	SET32(Z8, Y8, 1024, DI); \
	SET32(Z9, Y9, 1152, DI); \
	SET32(Z10, Y10, 1280, DI); \
	SET32(Z11, Y11, 1408, DI); \
	SET32(Z12, Y12, 0, R10); \
	SET32(Z13, Y13, 128, R10); \
	SET32(Z14, Y14, 256, R10); \
	SET32(Z15, Y15, 384, R10); \
	SET32(Z16, Y16, 512, R10); \
	SET32(Z17, Y17, 640, R10); \
	SET32(Z18, Y18, 768, R10); \
	SET32(Z19, Y19, 896, R10); \
	SET32(Z20, Y20, 1024, R10); \
	SET32(Z21, Y21, 1152, R10); \
	SET32(Z22, Y22, 1280, R10); \
	SET32(Z23, Y23, 1408, R10)

#define PAIR32(off, a, b) \
	VBROADCASTSD off(DX), Z26;   \
	VFMADD231PS  Z24, Z26, a;    \
	VFMADD231PS  Z25, Z26, b

#define JOIN24 \
	VADDPS 0(R13), Z0, Z0; \
	VADDPS 64(R13), Z1, Z1; \
	VADDPS 128(R13), Z2, Z2; \
	VADDPS 192(R13), Z3, Z3; \
	VADDPS 256(R13), Z4, Z4; \
	VADDPS 320(R13), Z5, Z5; \
	VADDPS 384(R13), Z6, Z6; \
	VADDPS 448(R13), Z7, Z7; \
	VADDPS 512(R13), Z8, Z8; \
	VADDPS 576(R13), Z9, Z9; \
	VADDPS 640(R13), Z10, Z10; \
	VADDPS 704(R13), Z11, Z11; \
	VADDPS 0(AX), Z12, Z12; \
	VADDPS 64(AX), Z13, Z13; \
	VADDPS 128(AX), Z14, Z14; \
	VADDPS 192(AX), Z15, Z15; \
	VADDPS 256(AX), Z16, Z16; \
	VADDPS 320(AX), Z17, Z17; \
	VADDPS 384(AX), Z18, Z18; \
	VADDPS 448(AX), Z19, Z19; \
	VADDPS 512(AX), Z20, Z20; \
	VADDPS 576(AX), Z21, Z21; \
	VADDPS 640(AX), Z22, Z22; \
	VADDPS 704(AX), Z23, Z23

#define HOLD24 \
	VMOVUPS Z0, 0(R13); \
	VMOVUPS Z1, 64(R13); \
	VMOVUPS Z2, 128(R13); \
	VMOVUPS Z3, 192(R13); \
	VMOVUPS Z4, 256(R13); \
	VMOVUPS Z5, 320(R13); \
	VMOVUPS Z6, 384(R13); \
	VMOVUPS Z7, 448(R13); \
	VMOVUPS Z8, 512(R13); \
	VMOVUPS Z9, 576(R13); \
	VMOVUPS Z10, 640(R13); \
	VMOVUPS Z11, 704(R13); \
	VMOVUPS Z12, 0(AX); \
	VMOVUPS Z13, 64(AX); \
	VMOVUPS Z14, 128(AX); \
	VMOVUPS Z15, 192(AX); \
	VMOVUPS Z16, 256(AX); \
	VMOVUPS Z17, 320(AX); \
	VMOVUPS Z18, 384(AX); \
	VMOVUPS Z19, 448(AX); \
	VMOVUPS Z20, 512(AX); \
	VMOVUPS Z21, 576(AX); \
	VMOVUPS Z22, 640(AX); \
	VMOVUPS Z23, 704(AX)

#define JOIN16 \
	VADDPS 0(R13), Z0, Z0; \
	VADDPS 64(R13), Z1, Z1; \
	VADDPS 128(R13), Z2, Z2; \
	VADDPS 192(R13), Z3, Z3; \
	VADDPS 256(R13), Z4, Z4; \
	VADDPS 320(R13), Z5, Z5; \
	VADDPS 384(R13), Z6, Z6; \
	VADDPS 448(R13), Z7, Z7; \
	VADDPS 0(AX), Z8, Z8; \
	VADDPS 64(AX), Z9, Z9; \
	VADDPS 128(AX), Z10, Z10; \
	VADDPS 192(AX), Z11, Z11; \
	VADDPS 256(AX), Z12, Z12; \
	VADDPS 320(AX), Z13, Z13; \
	VADDPS 384(AX), Z14, Z14; \
	VADDPS 448(AX), Z15, Z15

#define HOLD16 \
	VMOVUPS Z0, 0(R13); \
	VMOVUPS Z1, 64(R13); \
	VMOVUPS Z2, 128(R13); \
	VMOVUPS Z3, 192(R13); \
	VMOVUPS Z4, 256(R13); \
	VMOVUPS Z5, 320(R13); \
	VMOVUPS Z6, 384(R13); \
	VMOVUPS Z7, 448(R13); \
	VMOVUPS Z8, 0(AX); \
	VMOVUPS Z9, 64(AX); \
	VMOVUPS Z10, 128(AX); \
	VMOVUPS Z11, 192(AX); \
	VMOVUPS Z12, 256(AX); \
	VMOVUPS Z13, 320(AX); \
	VMOVUPS Z14, 384(AX); \
	VMOVUPS Z15, 448(AX)

// func tile12x2f32avx512(sums *complex128, held, table, fold *float32, p *tilePair)
TEXT ·tile12x2f32avx512(SB), NOSPLIT, $0-40
	PAIR
	MOVQ 56(BX), R11
	MOVQ 64(BX), R12

next:
	CHAIN
	ZERO24

place:
	PREFETCHT0 (R11)
	PREFETCHT0 (R12)
	ADDQ $64, R11
	SUBQ $64, R12
	VMOVUPS (SI), Z24
	VMOVUPS (R9), Z25
	PAIR32(0, Z0, Z12)
	PAIR32(8, Z1, Z13)
	PAIR32(16, Z2, Z14)
	PAIR32(24, Z3, Z15)
	PAIR32(32, Z4, Z16)
	PAIR32(40, Z5, Z17)
	PAIR32(48, Z6, Z18)
	PAIR32(56, Z7, Z19)
	PAIR32(64, Z8, Z20)
	PAIR32(72, Z9, Z21)
	PAIR32(80, Z10, Z22)
	PAIR32(88, Z11, Z23)
	ADDQ $64, SI
	ADDQ $64, R9
	ADDQ R8, DX
	DECQ CX
	JNZ  place

	TESTQ R14, R14
	JEQ   apart
	JOIN24

apart:
	TESTQ R15, R15
	JNE   hold
	CMPQ  48(BX), $0
	JNE   hold
	KEEP
	TESTQ CX, CX
	JEQ   set
	ADD24
	VZEROUPPER
	RET

set:
	SET24
	VZEROUPPER
	RET

hold:
	HOLD24
	MOVQ  $1, R14
	TESTQ R15, R15
	JNE   next
	VZEROUPPER
	RET

#define ZERO16 \
	ZERO(Z0); ZERO(Z1); ZERO(Z2); ZERO(Z3); ZERO(Z4); ZERO(Z5); ZERO(Z6); ZERO(Z7); \
	ZERO(Z8); ZERO(Z9); ZERO(Z10); ZERO(Z11); ZERO(Z12); ZERO(Z13); ZERO(Z14); ZERO(Z15)

// PLACE8 is a place of eight channels.
#define PLACE8 \
	PREFETCHT0 (R11); \
	PREFETCHT0 (R12); \
	ADDQ $64, R11;    \
	SUBQ $64, R12;    \
	VMOVUPS (SI), Z24; \
	VMOVUPS (R9), Z25; \
	PAIR32(0, Z0, Z8); \
	PAIR32(8, Z1, Z9); \
	PAIR32(16, Z2, Z10); \
	PAIR32(24, Z3, Z11); \
	PAIR32(32, Z4, Z12); \
	PAIR32(40, Z5, Z13); \
	PAIR32(48, Z6, Z14); \
	PAIR32(56, Z7, Z15); \
	ADDQ $64, SI; \
	ADDQ $64, R9; \
	ADDQ R8, DX;  \
	DECQ CX

// func tile8x2f32avx512(sums *complex128, held, table, fold *float32, p *tilePair)
TEXT ·tile8x2f32avx512(SB), NOSPLIT, $192-40
	PAIR
	MOVQ 56(BX), R11
	MOVQ 64(BX), R12
	CHAIN
	ZERO16

place:
	PLACE8
	JNZ  place
	TESTQ R15, R15
	JEQ  done

	// Two chains at the most: the first waits in the registers that are free.
	VMOVAPS Z0, Z16
	VMOVAPS Z1, Z17
	VMOVAPS Z2, Z18
	VMOVAPS Z3, Z19
	VMOVAPS Z4, Z20
	VMOVAPS Z5, Z21
	VMOVAPS Z6, Z22
	VMOVAPS Z7, Z23
	VMOVAPS Z8, Z27
	VMOVAPS Z9, Z28
	VMOVAPS Z10, Z29
	VMOVAPS Z11, Z30
	VMOVAPS Z12, Z31
	VMOVUPS Z13, first-64(SP)
	VMOVUPS Z14, first-128(SP)
	VMOVUPS Z15, first-192(SP)
	MOVQ R15, CX
	ZERO16

more:
	PLACE8
	JNZ  more
	VADDPS Z16, Z0, Z0
	VADDPS Z17, Z1, Z1
	VADDPS Z18, Z2, Z2
	VADDPS Z19, Z3, Z3
	VADDPS Z20, Z4, Z4
	VADDPS Z21, Z5, Z5
	VADDPS Z22, Z6, Z6
	VADDPS Z23, Z7, Z7
	VADDPS Z27, Z8, Z8
	VADDPS Z28, Z9, Z9
	VADDPS Z29, Z10, Z10
	VADDPS Z30, Z11, Z11
	VADDPS Z31, Z12, Z12
	VADDPS first-64(SP), Z13, Z13
	VADDPS first-128(SP), Z14, Z14
	VADDPS first-192(SP), Z15, Z15

done:
	TESTQ R14, R14
	JEQ   apart
	JOIN16

apart:
	CMPQ  48(BX), $0
	JNE   hold
	KEEP
	ADD32(Z0, Y0, 0, DI)
	ADD32(Z1, Y1, 128, DI)
	ADD32(Z2, Y2, 256, DI)
	ADD32(Z3, Y3, 384, DI)
	ADD32(Z4, Y4, 512, DI)
	ADD32(Z5, Y5, 640, DI)
	ADD32(Z6, Y6, 768, DI)
	ADD32(Z7, Y7, 896, DI)
	ADD32(Z8, Y8, 0, R10)
	ADD32(Z9, Y9, 128, R10)
	ADD32(Z10, Y10, 256, R10)
	ADD32(Z11, Y11, 384, R10)
	ADD32(Z12, Y12, 512, R10)
	ADD32(Z13, Y13, 640, R10)
	ADD32(Z14, Y14, 768, R10)
	ADD32(Z15, Y15, 896, R10)
	VZEROUPPER
	RET

hold:
	HOLD16
	VZEROUPPER
	RET

#define ONE32(off, t, a) \
	VBROADCASTSD off(DX), Z26; \
	VFMADD231PS  t, Z26, a

// func tile12f32avx512(sums *complex128, table, fold *float32, n int, foldStep, keep uintptr)
TEXT ·tile12f32avx512(SB), NOSPLIT, $0-48
	ARGS
	ZERO24

place:
	VMOVUPS (SI), Z24
	ONE32(0, Z24, Z0)
	ONE32(8, Z24, Z1)
	ONE32(16, Z24, Z2)
	ONE32(24, Z24, Z3)
	ONE32(32, Z24, Z4)
	ONE32(40, Z24, Z5)
	ONE32(48, Z24, Z6)
	ONE32(56, Z24, Z7)
	ONE32(64, Z24, Z8)
	ONE32(72, Z24, Z9)
	ONE32(80, Z24, Z10)
	ONE32(88, Z24, Z11)
	ADDQ R8, DX
	VMOVUPS 64(SI), Z24
	ONE32(0, Z24, Z12)
	ONE32(8, Z24, Z13)
	ONE32(16, Z24, Z14)
	ONE32(24, Z24, Z15)
	ONE32(32, Z24, Z16)
	ONE32(40, Z24, Z17)
	ONE32(48, Z24, Z18)
	ONE32(56, Z24, Z19)
	ONE32(64, Z24, Z20)
	ONE32(72, Z24, Z21)
	ONE32(80, Z24, Z22)
	ONE32(88, Z24, Z23)
	ADDQ $128, SI
	ADDQ R8, DX
	SUBQ $2, CX
	JNZ  place

	VADDPS Z12, Z0, Z0
	VADDPS Z13, Z1, Z1
	VADDPS Z14, Z2, Z2
	VADDPS Z15, Z3, Z3
	VADDPS Z16, Z4, Z4
	VADDPS Z17, Z5, Z5
	VADDPS Z18, Z6, Z6
	VADDPS Z19, Z7, Z7
	VADDPS Z20, Z8, Z8
	VADDPS Z21, Z9, Z9
	VADDPS Z22, Z10, Z10
	VADDPS Z23, Z11, Z11
	ADD32(Z0, Y0, 0, DI)
	ADD32(Z1, Y1, 128, DI)
	ADD32(Z2, Y2, 256, DI)
	ADD32(Z3, Y3, 384, DI)
	ADD32(Z4, Y4, 512, DI)
	ADD32(Z5, Y5, 640, DI)
	ADD32(Z6, Y6, 768, DI)
	ADD32(Z7, Y7, 896, DI)
	ADD32(Z8, Y8, 1024, DI)
	ADD32(Z9, Y9, 1152, DI)
	ADD32(Z10, Y10, 1280, DI)
	ADD32(Z11, Y11, 1408, DI)
	VZEROUPPER
	RET

#define FOUR32(off, a, b, c, d) \
	VMOVUPS off(SI), Z24; \
	ONE32(0, Z24, a);     \
	ONE32(8, Z24, b);     \
	ONE32(16, Z24, c);    \
	ONE32(24, Z24, d);    \
	ADDQ R8, DX

// func tile4f32avx512(sums *complex128, table, fold *float32, n int, foldStep, keep uintptr)
TEXT ·tile4f32avx512(SB), NOSPLIT, $0-48
	ARGS
	ZERO(Z0); ZERO(Z1); ZERO(Z2); ZERO(Z3); ZERO(Z4); ZERO(Z5); ZERO(Z6); ZERO(Z7)
	ZERO(Z8); ZERO(Z9); ZERO(Z10); ZERO(Z11); ZERO(Z12); ZERO(Z13); ZERO(Z14); ZERO(Z15)

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
	ADD32(Z1, Y1, 128, DI)
	ADD32(Z2, Y2, 256, DI)
	ADD32(Z3, Y3, 384, DI)
	VZEROUPPER
	RET

#define NEXT32(off, a) \
	VBROADCASTSD (DX), Z26;          \
	VFMADD231PS  off(SI), Z26, a;    \
	ADDQ         R8, DX

// func tile1f32avx512(sums *complex128, table, fold *float32, n int, foldStep, keep uintptr)
TEXT ·tile1f32avx512(SB), NOSPLIT, $0-48
	ARGS
	ZERO(Z0); ZERO(Z1); ZERO(Z2); ZERO(Z3); ZERO(Z4); ZERO(Z5); ZERO(Z6); ZERO(Z7)

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

#define PAIR64(off, a, b) \
	VBROADCASTF64X2 off(DX), Z26; \
	VFMADD231PD     Z24, Z26, a;  \
	VFMADD231PD     Z25, Z26, b

// func tile12f64avx512(sums *complex128, table, fold *float64, n int, foldStep, keep uintptr)
TEXT ·tile12f64avx512(SB), NOSPLIT, $0-48
	ARGS
	ZERO24

place:
	VMOVUPD (SI), Z24
	VMOVUPD 64(SI), Z25
	PAIR64(0, Z0, Z12)
	PAIR64(16, Z1, Z13)
	PAIR64(32, Z2, Z14)
	PAIR64(48, Z3, Z15)
	PAIR64(64, Z4, Z16)
	PAIR64(80, Z5, Z17)
	PAIR64(96, Z6, Z18)
	PAIR64(112, Z7, Z19)
	PAIR64(128, Z8, Z20)
	PAIR64(144, Z9, Z21)
	PAIR64(160, Z10, Z22)
	PAIR64(176, Z11, Z23)
	ADDQ $128, SI
	ADDQ R8, DX
	DECQ CX
	JNZ  place

	ADD64(Z0, 0, DI)
	ADD64(Z12, 64, DI)
	ADD64(Z1, 128, DI)
	ADD64(Z13, 192, DI)
	ADD64(Z2, 256, DI)
	ADD64(Z14, 320, DI)
	ADD64(Z3, 384, DI)
	ADD64(Z15, 448, DI)
	ADD64(Z4, 512, DI)
	ADD64(Z16, 576, DI)
	ADD64(Z5, 640, DI)
	ADD64(Z17, 704, DI)
	ADD64(Z6, 768, DI)
	ADD64(Z18, 832, DI)
	ADD64(Z7, 896, DI)
	ADD64(Z19, 960, DI)
	ADD64(Z8, 1024, DI)
	ADD64(Z20, 1088, DI)
	ADD64(Z9, 1152, DI)
	ADD64(Z21, 1216, DI)
	ADD64(Z10, 1280, DI)
	ADD64(Z22, 1344, DI)
	ADD64(Z11, 1408, DI)
	ADD64(Z23, 1472, DI)
	VZEROUPPER
	RET

#define FOUR64(off, a, b, c, d, e, f, g, h) \
	VMOVUPD off(SI), Z24;      \
	VMOVUPD (off+64)(SI), Z25; \
	PAIR64(0, a, e);           \
	PAIR64(16, b, f);          \
	PAIR64(32, c, g);          \
	PAIR64(48, d, h);          \
	ADDQ R8, DX

// func tile4f64avx512(sums *complex128, table, fold *float64, n int, foldStep, keep uintptr)
TEXT ·tile4f64avx512(SB), NOSPLIT, $0-48
	ARGS
	ZERO(Z0); ZERO(Z1); ZERO(Z2); ZERO(Z3); ZERO(Z4); ZERO(Z5); ZERO(Z6); ZERO(Z7)
	ZERO(Z8); ZERO(Z9); ZERO(Z10); ZERO(Z11); ZERO(Z12); ZERO(Z13); ZERO(Z14); ZERO(Z15)

place:
	FOUR64(0, Z0, Z1, Z2, Z3, Z4, Z5, Z6, Z7)
	FOUR64(128, Z8, Z9, Z10, Z11, Z12, Z13, Z14, Z15)
	ADDQ $256, SI
	SUBQ $2, CX
	JNZ  place

	VADDPD Z8, Z0, Z0
	VADDPD Z9, Z1, Z1
	VADDPD Z10, Z2, Z2
	VADDPD Z11, Z3, Z3
	VADDPD Z12, Z4, Z4
	VADDPD Z13, Z5, Z5
	VADDPD Z14, Z6, Z6
	VADDPD Z15, Z7, Z7
	ADD64(Z0, 0, DI)
	ADD64(Z4, 64, DI)
	ADD64(Z1, 128, DI)
	ADD64(Z5, 192, DI)
	ADD64(Z2, 256, DI)
	ADD64(Z6, 320, DI)
	ADD64(Z3, 384, DI)
	ADD64(Z7, 448, DI)
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
	ZERO(Z0); ZERO(Z1); ZERO(Z2); ZERO(Z3); ZERO(Z4); ZERO(Z5); ZERO(Z6); ZERO(Z7)

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
	ADD64(Z0, 0, DI)
	ADD64(Z4, 64, DI)
	VZEROUPPER
	RET
