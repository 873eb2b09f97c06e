//go:build !purego

#include "textflag.h"

// Channels are folded 16 or 8 at a time, all places of them before the next;
// masks keep loads and stores within the channels that are there. DI, SI and DX lead
// to the results and the samples of these channels, R11 to R13 to those of a place,
// of which AX are left; BX is the number of channels that are left.

#define ARGS \
	MOVQ dst+0(FP), DI;       \
	MOVQ up+8(FP), SI;        \
	MOVQ down+16(FP), DX;     \
	MOVQ channels+32(FP), BX; \
	MOVQ dstStep+40(FP), R8;  \
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

// MASKS: K1 for min(BX, most) samples, K2 and K3 for twice as many results in
// two vectors of most each.
#define MASKS(most) \
	MOVQ    $most, CX;   \
	CMPQ    BX, CX;      \
	CMOVQLT BX, CX;      \
	MOVQ    $1, R10;     \
	SHLQ    CX, R10;     \
	DECQ    R10;         \
	KMOVW   R10, K1;     \
	ADDQ    CX, CX;      \
	MOVQ    $1, R10;     \
	SHLQ    CX, R10;     \
	DECQ    R10;         \
	KMOVW   R10, K2;     \
	SHRQ    $most, R10;  \
	KMOVW   R10, K3

// SINGLES makes counts in Z0 and mirrored ones in Z1 sums and differences side by
// side in Z2 and Z4.
#define SINGLES \
	VPADDD    Z1, Z0, Z2;  \
	VPSUBD    Z1, Z0, Z3;  \
	VCVTDQ2PS Z2, Z2;      \
	VCVTDQ2PS Z3, Z3;      \
	VMOVAPS   Z2, Z4;      \
	VPERMT2PS Z3, Z30, Z2; \
	VPERMT2PS Z3, Z31, Z4

// SIXTEEN stores them where all sixteen are there, and goes on.
#define SIXTEEN \
	VMOVUPS Z2, (R11);   \
	VMOVUPS Z4, 64(R11); \
	ADDQ $128, R11;      \
	ADDQ $32, R12;       \
	SUBQ $32, R13

// CHUNK goes to the next most channels, if any.
#define CHUNK(most, dstBytes, bytes) \
	ADDQ $dstBytes, DI; \
	ADDQ $bytes, SI;    \
	ADDQ $bytes, DX;    \
	SUBQ $most, BX

// func fold16f32avx512(dst *float32, up, down *int16, n, channels int, dstStep, step uintptr)
TEXT ·fold16f32avx512(SB), NOSPLIT, $0-56
	ARGS
	VMOVDQU64 ·low32(SB), Z30
	VMOVDQU64 ·high32(SB), Z31

chunk:
	MASKS(16)
	START
	CMPQ BX, $8
	JLE  narrow

wide:
	VPMOVSXWD.Z (R12), K1, Z0
	VPMOVSXWD.Z (R13), K1, Z1
	SINGLES
	VMOVUPS   Z2, (R11)
	VMOVUPS   Z4, K3, 64(R11)
	NEXT
	JNZ  wide
	CHUNK(16, 128, 32)
	JG   chunk
	VZEROUPPER
	RET

narrow: // the last eight or fewer
	MOVQ channels+32(FP), CX
	CMPQ CX, $1
	JEQ  single
	CMPQ CX, $4
	JNE  place


four: // four channels in all: four places at a time, mirrored ones reversed
	PREFETCHT0 512(R12) // a run on
	PREFETCHT0 -512(R13)
	CMPQ AX, $4
	JLT  rest
	VPERMQ    $0x1b, -24(R13), Y1
	VPMOVSXWD (R12), Z0
	VPMOVSXWD Y1, Z1
	SINGLES
	SIXTEEN
	SUBQ $4, AX
	JMP  four

single: // one channel: sixteen places at a time
	VMOVDQU64 ·reverse32(SB), Z29

sixteen:
	CMPQ AX, $16
	JLT  rest
	VPMOVSXWD (R12), Z0
	VPMOVSXWD -30(R13), Z1
	VPERMD    Z1, Z29, Z1
	SINGLES
	SIXTEEN
	SUBQ $16, AX
	JMP  sixteen

rest:
	TESTQ AX, AX
	JEQ   done

place:
	VPMOVSXWD.Z (R12), K1, Z0
	VPMOVSXWD.Z (R13), K1, Z1
	VPADDD    Z1, Z0, Z2
	VPSUBD    Z1, Z0, Z3
	VPERMT2D  Z3, Z30, Z2
	VCVTDQ2PS Z2, Z2
	VMOVUPS   Z2, K2, (R11)
	NEXT
	JNZ  place

done:
	VZEROUPPER
	RET

// STORE64 stores sums in Z2 and differences in Z3 side by side.
#define STORE64 \
	VMOVAPD   Z2, Z4;         \
	VPERMT2PD Z3, Z30, Z2;    \
	VPERMT2PD Z3, Z31, Z4;    \
	VMOVUPD   Z2, K2, (R11);  \
	VMOVUPD   Z4, K3, 64(R11)

// DOUBLES is the whole of a fold to doubles; load leaves sums in Z2, differences in Z3.
#define DOUBLES(load, bytes) \
	ARGS;                           \
	VMOVDQU64 ·low64(SB), Z30;      \
	VMOVDQU64 ·high64(SB), Z31;     \
chunk:                              \
	MASKS(8);                       \
	START;                          \
place:                              \
	load;                           \
	STORE64;                        \
	NEXT;                           \
	JNZ  place;                     \
	CHUNK(8, 128, bytes);           \
	JG   chunk;                     \
	VZEROUPPER;                     \
	RET

#define COUNTS \
	VPMOVSXWD.Z (R12), K1, Y0; \
	VPMOVSXWD.Z (R13), K1, Y1; \
	VPADDD    Y1, Y0, Y2;      \
	VPSUBD    Y1, Y0, Y3;      \
	VCVTDQ2PD Y2, Z2;          \
	VCVTDQ2PD Y3, Z3

#define FLOATS \
	VMOVUPD.Z (R12), K1, Z0; \
	VMOVUPD.Z (R13), K1, Z1; \
	VADDPD Z1, Z0, Z2;       \
	VSUBPD Z1, Z0, Z3

// func fold16f64avx512(dst *float64, up, down *int16, n, channels int, dstStep, step uintptr)
TEXT ·fold16f64avx512(SB), NOSPLIT, $0-56
	DOUBLES(COUNTS, 16)

// func fold64f64avx512(dst *float64, up, down *float64, n, channels int, dstStep, step uintptr)
TEXT ·fold64f64avx512(SB), NOSPLIT, $0-56
	DOUBLES(FLOATS, 64)

// HALVES makes doubles in Z0 and mirrored ones in Z1 sums and differences side by
// side in Z2, in float32.
#define HALVES \
	VADDPD    Z1, Z0, Z2; \
	VSUBPD    Z1, Z0, Z3; \
	VCVTPD2PS Z2, Y2;     \
	VCVTPD2PS Z3, Y3;     \
	VPERMT2PS Z3, Z30, Z2

// func fold64f32avx512(dst *float32, up, down *float64, n, channels int, dstStep, step uintptr)
TEXT ·fold64f32avx512(SB), NOSPLIT, $0-56
	ARGS
	VMOVDQU64 ·low32(SB), Z30
	VMOVDQU64 ·reverse64(SB), Z29

chunk:
	MASKS(8)
	START
	MOVQ channels+32(FP), CX
	CMPQ CX, $1
	JNE  place

eight: // one channel: eight places at a time
	CMPQ AX, $8
	JLT  rest
	VMOVUPD   (R12), Z0
	VMOVUPD   -56(R13), Z1
	VPERMPD   Z1, Z29, Z1
	HALVES
	VMOVUPS   Z2, (R11)
	ADDQ $64, R11
	ADDQ $64, R12
	SUBQ $64, R13
	SUBQ $8, AX
	JMP  eight

rest:
	TESTQ AX, AX
	JEQ   done

place:
	VMOVUPD.Z (R12), K1, Z0
	VMOVUPD.Z (R13), K1, Z1
	HALVES
	VMOVUPS   Z2, K2, (R11)
	NEXT
	JNZ  place
	CHUNK(8, 64, 64)
	JG   chunk

done:
	VZEROUPPER
	RET
