//go:build !purego

#include "textflag.h"

// Channels are folded 16 or 8 at a time, all places of them before the next;
// masks keep loads and stores within the channels that are there.

// interleave{,high}32 pick e0 o0 e1 o1 … from sixteen e and sixteen o.
DATA interleave32<>+0(SB)/8, $0x0000001000000000
DATA interleave32<>+8(SB)/8, $0x0000001100000001
DATA interleave32<>+16(SB)/8, $0x0000001200000002
DATA interleave32<>+24(SB)/8, $0x0000001300000003
DATA interleave32<>+32(SB)/8, $0x0000001400000004
DATA interleave32<>+40(SB)/8, $0x0000001500000005
DATA interleave32<>+48(SB)/8, $0x0000001600000006
DATA interleave32<>+56(SB)/8, $0x0000001700000007
GLOBL interleave32<>(SB), RODATA|NOPTR, $64

DATA interleaveHigh32<>+0(SB)/8, $0x0000001800000008
DATA interleaveHigh32<>+8(SB)/8, $0x0000001900000009
DATA interleaveHigh32<>+16(SB)/8, $0x0000001a0000000a
DATA interleaveHigh32<>+24(SB)/8, $0x0000001b0000000b
DATA interleaveHigh32<>+32(SB)/8, $0x0000001c0000000c
DATA interleaveHigh32<>+40(SB)/8, $0x0000001d0000000d
DATA interleaveHigh32<>+48(SB)/8, $0x0000001e0000000e
DATA interleaveHigh32<>+56(SB)/8, $0x0000001f0000000f
GLOBL interleaveHigh32<>(SB), RODATA|NOPTR, $64

// reverse turns sixteen, or eight, about.
DATA reverse32<>+0(SB)/8, $0x0000000e0000000f
DATA reverse32<>+8(SB)/8, $0x0000000c0000000d
DATA reverse32<>+16(SB)/8, $0x0000000a0000000b
DATA reverse32<>+24(SB)/8, $0x0000000800000009
DATA reverse32<>+32(SB)/8, $0x0000000600000007
DATA reverse32<>+40(SB)/8, $0x0000000400000005
DATA reverse32<>+48(SB)/8, $0x0000000200000003
DATA reverse32<>+56(SB)/8, $0x0000000000000001
GLOBL reverse32<>(SB), RODATA|NOPTR, $64

// The same for eight and eight doubles.
DATA interleave64<>+0(SB)/8, $0
DATA interleave64<>+8(SB)/8, $8
DATA interleave64<>+16(SB)/8, $1
DATA interleave64<>+24(SB)/8, $9
DATA interleave64<>+32(SB)/8, $2
DATA interleave64<>+40(SB)/8, $10
DATA interleave64<>+48(SB)/8, $3
DATA interleave64<>+56(SB)/8, $11
GLOBL interleave64<>(SB), RODATA|NOPTR, $64

DATA interleaveHigh64<>+0(SB)/8, $4
DATA interleaveHigh64<>+8(SB)/8, $12
DATA interleaveHigh64<>+16(SB)/8, $5
DATA interleaveHigh64<>+24(SB)/8, $13
DATA interleaveHigh64<>+32(SB)/8, $6
DATA interleaveHigh64<>+40(SB)/8, $14
DATA interleaveHigh64<>+48(SB)/8, $7
DATA interleaveHigh64<>+56(SB)/8, $15
GLOBL interleaveHigh64<>(SB), RODATA|NOPTR, $64

DATA reverse64<>+0(SB)/8, $7
DATA reverse64<>+8(SB)/8, $6
DATA reverse64<>+16(SB)/8, $5
DATA reverse64<>+24(SB)/8, $4
DATA reverse64<>+32(SB)/8, $3
DATA reverse64<>+40(SB)/8, $2
DATA reverse64<>+48(SB)/8, $1
DATA reverse64<>+56(SB)/8, $0
GLOBL reverse64<>(SB), RODATA|NOPTR, $64

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

// func fold16f32avx512(dst *float32, up, down *int16, n, channels int, dstStep, step uintptr)
TEXT ·fold16f32avx512(SB), NOSPLIT, $0-56
	ARGS
	VMOVDQU64 interleave32<>(SB), Z30
	VMOVDQU64 interleaveHigh32<>(SB), Z31

chunk:
	MASKS(16)
	START
	CMPQ BX, $8
	JLE  narrow

wide:
	VPMOVSXWD.Z (R12), K1, Z0
	VPMOVSXWD.Z (R13), K1, Z1
	VPADDD    Z1, Z0, Z2
	VPSUBD    Z1, Z0, Z3
	VCVTDQ2PS Z2, Z2
	VCVTDQ2PS Z3, Z3
	VMOVAPS   Z2, Z4
	VPERMT2PS Z3, Z30, Z2
	VPERMT2PS Z3, Z31, Z4
	VMOVUPS   Z2, (R11)
	VMOVUPS   Z4, K3, 64(R11)
	NEXT
	JNZ  wide
	ADDQ $128, DI
	ADDQ $32, SI
	ADDQ $32, DX
	SUBQ $16, BX
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
	VPADDD    Z1, Z0, Z2
	VPSUBD    Z1, Z0, Z3
	VCVTDQ2PS Z2, Z2
	VCVTDQ2PS Z3, Z3
	VMOVAPS   Z2, Z4
	VPERMT2PS Z3, Z30, Z2
	VPERMT2PS Z3, Z31, Z4
	VMOVUPS   Z2, (R11)
	VMOVUPS   Z4, 64(R11)
	ADDQ $128, R11
	ADDQ $32, R12
	SUBQ $32, R13
	SUBQ $4, AX
	JMP  four

single: // one channel: sixteen places at a time
	VMOVDQU64 reverse32<>(SB), Z29

sixteen:
	CMPQ AX, $16
	JLT  rest
	VPMOVSXWD (R12), Z0
	VPMOVSXWD -30(R13), Z1
	VPERMD    Z1, Z29, Z1
	VPADDD    Z1, Z0, Z2
	VPSUBD    Z1, Z0, Z3
	VCVTDQ2PS Z2, Z2
	VCVTDQ2PS Z3, Z3
	VMOVAPS   Z2, Z4
	VPERMT2PS Z3, Z30, Z2
	VPERMT2PS Z3, Z31, Z4
	VMOVUPS   Z2, (R11)
	VMOVUPS   Z4, 64(R11)
	ADDQ $128, R11
	ADDQ $32, R12
	SUBQ $32, R13
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

#define STORE64 \
	VMOVAPD   Z2, Z4;         \
	VPERMT2PD Z3, Z30, Z2;    \
	VPERMT2PD Z3, Z31, Z4;    \
	VMOVUPD   Z2, K2, (R11);  \
	VMOVUPD   Z4, K3, 64(R11)

// func fold16f64avx512(dst *float64, up, down *int16, n, channels int, dstStep, step uintptr)
TEXT ·fold16f64avx512(SB), NOSPLIT, $0-56
	ARGS
	VMOVDQU64 interleave64<>(SB), Z30
	VMOVDQU64 interleaveHigh64<>(SB), Z31

chunk:
	MASKS(8)
	START

place:
	VPMOVSXWD.Z (R12), K1, Y0
	VPMOVSXWD.Z (R13), K1, Y1
	VPADDD    Y1, Y0, Y2
	VPSUBD    Y1, Y0, Y3
	VCVTDQ2PD Y2, Z2
	VCVTDQ2PD Y3, Z3
	STORE64
	NEXT
	JNZ  place
	ADDQ $128, DI
	ADDQ $16, SI
	ADDQ $16, DX
	SUBQ $8, BX
	JG   chunk
	VZEROUPPER
	RET

// func fold64f64avx512(dst *float64, up, down *float64, n, channels int, dstStep, step uintptr)
TEXT ·fold64f64avx512(SB), NOSPLIT, $0-56
	ARGS
	VMOVDQU64 interleave64<>(SB), Z30
	VMOVDQU64 interleaveHigh64<>(SB), Z31

chunk:
	MASKS(8)
	START

place:
	VMOVUPD.Z (R12), K1, Z0
	VMOVUPD.Z (R13), K1, Z1
	VADDPD Z1, Z0, Z2
	VSUBPD Z1, Z0, Z3
	STORE64
	NEXT
	JNZ  place
	ADDQ $128, DI
	ADDQ $64, SI
	ADDQ $64, DX
	SUBQ $8, BX
	JG   chunk
	VZEROUPPER
	RET

// func fold64f32avx512(dst *float32, up, down *float64, n, channels int, dstStep, step uintptr)
TEXT ·fold64f32avx512(SB), NOSPLIT, $0-56
	ARGS
	VMOVDQU64 interleave32<>(SB), Z30
	VMOVDQU64 reverse64<>(SB), Z29

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
	VADDPD    Z1, Z0, Z2
	VSUBPD    Z1, Z0, Z3
	VCVTPD2PS Z2, Y2
	VCVTPD2PS Z3, Y3
	VPERMT2PS Z3, Z30, Z2
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
	VADDPD    Z1, Z0, Z2
	VSUBPD    Z1, Z0, Z3
	VCVTPD2PS Z2, Y2
	VCVTPD2PS Z3, Y3
	VPERMT2PS Z3, Z30, Z2
	VMOVUPS   Z2, K2, (R11)
	NEXT
	JNZ  place
	ADDQ $64, DI
	ADDQ $64, SI
	ADDQ $64, DX
	SUBQ $8, BX
	JG   chunk

done:
	VZEROUPPER
	RET
