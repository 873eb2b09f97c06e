//go:build !purego

#include "textflag.h"

#define MIX_ARGS \
	MOVQ  out+0(FP), DI; \
	MOVQ  state+8(FP), SI; \
	MOVQ  carrier+16(FP), DX; \
	MOVQ  spread+24(FP), BX; \
	MOVQ  n+32(FP), CX; \
	MOVQ  outStep+40(FP), R8; \
	MOVQ  spreadStep+48(FP), R9; \
	MOVQ  turn+56(FP), AX; \
	MOVQ  mask+64(FP), R10; \
	KMOVW R10, K1; \
	VBROADCASTSD (AX), Z28; \
	VBROADCASTSD 8(AX), Z29

#define REFER_ARGS \
	MOVQ  turns+72(FP), R11; \
	MOVQ  turnsStep+80(FP), R12; \
	MOVQ  keep+88(FP), R10; \
	KMOVW R10, K2

DATA half<>+0(SB)/8, $0.5
GLOBL half<>(SB), RODATA|NOPTR, $8
DATA threeHalves<>+0(SB)/8, $1.5
GLOBL threeHalves<>(SB), RODATA|NOPTR, $8

// func spread16avx512(dst *float64, x *int16, gain *float64, n, vectors int, step uintptr)
TEXT ·spread16avx512(SB), NOSPLIT, $0-48
	MOVQ dst+0(FP), DI
	MOVQ x+8(FP), SI
	MOVQ gain+16(FP), DX
	MOVQ n+24(FP), CX
	MOVQ vectors+32(FP), BX
	MOVQ step+40(FP), R8
	VMOVDQU64 ·twice(SB), Z31

sample:
	MOVQ SI, R9
	MOVQ DX, R10
	MOVQ BX, R11

vector:
	VPMOVSXWD (R9), X0
	VCVTDQ2PD X0, Y0
	VPERMPD   Z0, Z31, Z1
	VMULPD    (R10), Z1, Z1
	VMOVUPD   Z1, (DI)
	ADDQ $8, R9
	ADDQ $64, R10
	ADDQ $64, DI
	DECQ R11
	JNZ  vector
	ADDQ R8, SI
	DECQ CX
	JNZ  sample
	VZEROUPPER
	RET

// The four stages of four channels are in Z0 to Z3, of twelve in Z0 to Z11. Z28 and
// Z29 hold the turn of the states, then those of the outputs; Z30 the carrier.

// FOUR does op(i, z) for the stages of four channels, TWELVE for those of twelve.
#define FOUR(op) \
	op(0, Z0); \
	op(1, Z1); \
	op(2, Z2); \
	op(3, Z3)

#define TWELVE(op) \
	FOUR(op);   \
	op(4, Z4);  \
	op(5, Z5);  \
	op(6, Z6);  \
	op(7, Z7);  \
	op(8, Z8);  \
	op(9, Z9);  \
	op(10, Z10); \
	op(11, Z11)

// TURN loads a state and turns it.
#define TURN(i, z) \
	VMOVUPD        (64*i)(SI), z;  \
	VPERMILPD      $0x55, z, Z30;  \
	VMULPD         Z29, Z30, Z30;  \
	VFMADDSUB213PD Z30, Z28, z

// LEAVE stores a state.
#define LEAVE(i, z) VMOVUPD z, (64*i)(SI)

// STAGES takes a sample of four channels through their stages.
#define STAGES(off, a, b, c, d) \
	VFMADD231PD (off)(BX), Z30, a; \
	VADDPD a, b, b;                \
	VADDPD b, c, c;                \
	VADDPD c, d, d

#define STAGES4 STAGES(0, Z0, Z1, Z2, Z3)

#define STAGES12 \
	STAGES4;                    \
	STAGES(64, Z4, Z5, Z6, Z7); \
	STAGES(128, Z8, Z9, Z10, Z11)

// STORE4 and STORE12 store the outputs.
#define STORE4(a) VMOVUPD a, K1, (DI)

#define STORE12(a, b, c) \
	VMOVUPD a, (DI);   \
	VMOVUPD b, 64(DI); \
	VMOVUPD c, K1, 128(DI)

// REFERRED multiplies an output by the pair of turns in Z28 and Z29.
#define REFERRED(y, keep, z) \
	VPERMILPD        $0x55, y, z; \
	VMULPD           Z29, z, z;   \
	VFMADDSUB231PD.Z Z28, y, keep, z

#define PLAIN4 STORE4(Z3)
#define PLAIN12 STORE12(Z3, Z7, Z11)

#define REFER4 \
	REFERRED(Z3, K2, Z24); \
	STORE4(Z24)

#define REFER12 \
	REFERRED(Z3, K2, Z24);  \
	REFERRED(Z7, K3, Z25);  \
	REFERRED(Z11, K4, Z26); \
	STORE12(Z24, Z25, Z26)

#define PLAIN
#define REFER \
	VBROADCASTSD (R11), Z28;   \
	VBROADCASTSD 64(R11), Z29; \
	ADDQ         R12, R11

// MIX is a function behind its arguments: each does something for all states, turns
// loads the outputs' turns, store turns and stores the outputs.
#define MIX(each, turns, stages, store) \
	each(TURN);                   \
sample:                           \
	VBROADCASTF64X2 (DX), Z30;    \
	turns;                        \
	stages;                       \
	store;                        \
	ADDQ $16, DX;                 \
	ADDQ R9, BX;                  \
	ADDQ R8, DI;                  \
	DECQ CX;                      \
	JNZ  sample;                  \
	each(LEAVE);                  \
	VZEROUPPER;                   \
	RET

// func mix4avx512(out, state, carrier *complex128, spread *float64, n int, outStep, spreadStep uintptr, turn *complex128, mask uint64)
TEXT ·mix4avx512(SB), NOSPLIT, $0-72
	MIX_ARGS
	MIX(FOUR, PLAIN, STAGES4, PLAIN4)

// func mix4x3avx512(out, state, carrier *complex128, spread *float64, n int, outStep, spreadStep uintptr, turn *complex128, mask uint64)
TEXT ·mix4x3avx512(SB), NOSPLIT, $0-72
	MIX_ARGS
	MIX(TWELVE, PLAIN, STAGES12, PLAIN12)

// func mixRefer4avx512(out, state, carrier *complex128, spread *float64, n int, outStep, spreadStep uintptr, turn *complex128, mask uint64, turns *float64, turnsStep uintptr, keep uint64)
TEXT ·mixRefer4avx512(SB), NOSPLIT, $0-96
	MIX_ARGS
	REFER_ARGS
	MIX(FOUR, REFER, STAGES4, REFER4)

// func mixRefer4x3avx512(out, state, carrier *complex128, spread *float64, n int, outStep, spreadStep uintptr, turn *complex128, mask uint64, turns *float64, turnsStep uintptr, keep uint64)
TEXT ·mixRefer4x3avx512(SB), NOSPLIT, $0-96
	MIX_ARGS
	REFER_ARGS
	SHRQ  $8, R10
	KMOVW R10, K3
	SHRQ  $8, R10
	KMOVW R10, K4
	MIX(TWELVE, REFER, STAGES12, REFER12)

// PAIRS stores eight complex numbers at p.
#define PAIRS(re, im, p) \
	VMOVDQA64 Z21, Z8;      \
	VMOVDQA64 Z22, Z9;      \
	VPERMI2PD im, re, Z8;   \
	VPERMI2PD im, re, Z9;   \
	VMOVUPD   Z8, (p);      \
	VMOVUPD   Z9, 64(p)

// REFERENCE writes references Z0 + j·Z1 times ahead and makes them the turns:
// conjugate over size, times decay; where the size is 0, decay. It takes an
// estimate of 1/size to 2⁻¹⁴ and two steps r ← r·(1.5 − 0.5·power·r²) to rounding.
#define REFERENCE \
	VMOVUPD (BX), Z2; \
	VMOVUPD 64(BX), Z3; \
	VMULPD  Z0, Z2, Z4; \
	VMULPD  Z1, Z2, Z5; \
	VFNMADD231PD Z1, Z3, Z4; \
	VFMADD231PD  Z0, Z3, Z5; \
	PAIRS(Z4, Z5, R9); \
	VMULPD      Z0, Z0, Z10; \
	VFMADD231PD Z1, Z1, Z10; \
	VCMPPD      $0, Z25, Z10, K3; \
	VRSQRT14PD  Z10, Z11; \
	VMULPD      Z23, Z10, Z10; \
	VMULPD      Z11, Z11, Z6; \
	VFNMADD213PD Z24, Z10, Z6; \
	VMULPD      Z6, Z11, Z11; \
	VMULPD      Z11, Z11, Z6; \
	VFNMADD213PD Z24, Z10, Z6; \
	VMULPD      Z6, Z11, Z11; \
	VBROADCASTSD (AX), Z7; \
	VMULPD      Z7, Z11, Z11; \
	VMULPD      Z11, Z0, Z0; \
	VMULPD      Z11, Z1, Z1; \
	VSUBPD      Z1, Z25, Z1; \
	VMOVAPD     Z7, K3, Z0; \
	VMOVAPD     Z25, K3, Z1

#define REFERENCE_CONSTANTS \
	VMOVDQU64 ·low64(SB), Z21; \
	VMOVDQU64 ·high64(SB), Z22; \
	VBROADCASTSD half<>(SB), Z23; \
	VBROADCASTSD threeHalves<>(SB), Z24; \
	VPXORQ Z25, Z25, Z25

// GATHER fills z from p on by the offsets at.
#define GATHER(off, p, at, z) \
	KXNORW     K1, K1, K1; \
	VPXORQ     z, z, z;    \
	VGATHERQPD off(p)(at*1), K1, z

// STATE gathers the references' moment off bytes on and turns it by Z30 + j·Z31.
#define STATE(off, re, im) \
	GATHER(off, SI, Z20, Z28);     \
	GATHER((off+8), SI, Z20, Z29); \
	VMULPD       Z28, Z30, re;     \
	VMULPD       Z28, Z31, im;     \
	VFNMADD231PD Z29, Z31, re;     \
	VFMADD231PD  Z29, Z30, im

// func references8avx512(turns *float64, references, state, turn *complex128, offsets *int64, spread, carrier, ahead, decay *float64, n int, spreadStep, step uintptr)
TEXT ·references8avx512(SB), NOSPLIT, $0-96
	MOVQ turns+0(FP), DI
	MOVQ references+8(FP), R9
	MOVQ state+16(FP), SI
	MOVQ turn+24(FP), R8
	MOVQ offsets+32(FP), DX
	MOVQ carrier+48(FP), R12
	MOVQ ahead+56(FP), BX
	MOVQ decay+64(FP), AX
	MOVQ n+72(FP), CX
	MOVQ spreadStep+80(FP), R10
	MOVQ step+88(FP), R11
	VMOVDQU64 128(DX), Z20
	GATHER(0, R8, Z20, Z30)
	GATHER(8, R8, Z20, Z31)
	VMOVDQU64 (DX), Z20
	STATE(0, Z12, Z16)
	STATE(64, Z13, Z17)
	STATE(128, Z14, Z18)
	STATE(192, Z15, Z19)
	VMOVDQU64 64(DX), Z20
	MOVQ spread+40(FP), SI
	REFERENCE_CONSTANTS
	// Tones that share a reference need no gathering.
	MOVQ 64(DX), R13
	VPBROADCASTQ R13, Z28
	VPCMPEQQ Z28, Z20, K2
	KMOVW K2, DX
	CMPQ DX, $0xff
	JEQ  shared

row:
	GATHER(0, SI, Z20, Z28)

mix:
	VFMADD231PD (R12), Z28, Z12
	VFMADD231PD 64(R12), Z28, Z16
	VADDPD      Z12, Z13, Z13
	VADDPD      Z16, Z17, Z17
	VADDPD      Z13, Z14, Z14
	VADDPD      Z17, Z18, Z18
	VADDPD      Z14, Z15, Z15
	VADDPD      Z18, Z19, Z19
	VMOVAPD     Z15, Z0
	VMOVAPD     Z19, Z1
	REFERENCE
	VMOVUPD     Z0, (DI)
	VMOVUPD     Z1, 64(DI)
	ADDQ R10, SI
	ADDQ R11, R12
	ADDQ R11, BX
	ADDQ R11, R9
	ADDQ R11, DI
	ADDQ $8, AX
	DECQ CX
	JEQ  done
	CMPQ DX, $0xff
	JNE  row

shared:
	VBROADCASTSD (SI)(R13*1), Z28
	JMP mix

done:
	VZEROUPPER
	RET

// func turns8avx512(turns *float64, references *complex128, row *complex128, offsets *int64, ahead, decay *float64, n int, rowStep, step uintptr)
TEXT ·turns8avx512(SB), NOSPLIT, $0-72
	MOVQ turns+0(FP), DI
	MOVQ references+8(FP), R9
	MOVQ row+16(FP), SI
	MOVQ offsets+24(FP), DX
	MOVQ ahead+32(FP), BX
	MOVQ decay+40(FP), AX
	MOVQ n+48(FP), CX
	MOVQ rowStep+56(FP), R10
	MOVQ step+64(FP), R11
	VMOVDQU64 (DX), Z20
	REFERENCE_CONSTANTS
	// References of eight tones on one channel lie side by side.
	MOVQ (DX), R13
	VPBROADCASTQ R13, Z28
	VMOVDQU64 ·apart(SB), Z26
	VPADDQ ·beside(SB), Z28, Z28
	VPCMPEQQ Z28, Z20, K2
	KMOVW K2, DX

row:
	CMPQ DX, $0xff
	JNE  gather
	VMOVUPD   (SI)(R13*1), Z0
	VMOVUPD   64(SI)(R13*1), Z1
	VUNPCKHPD Z1, Z0, Z2
	VUNPCKLPD Z1, Z0, Z0
	VPERMPD   Z0, Z26, Z0
	VPERMPD   Z2, Z26, Z1
	JMP  turn

gather:
	GATHER(0, SI, Z20, Z0)
	GATHER(8, SI, Z20, Z1)

turn:
	REFERENCE
	PAIRS(Z0, Z1, DI)
	ADDQ R10, SI
	ADDQ R11, BX
	ADDQ R11, R9
	ADDQ R11, DI
	ADDQ $8, AX
	DECQ CX
	JNZ  row
	VZEROUPPER
	RET

// LANES4 multiplies four tones and stores them from p on, R8 bytes apart and
// R9 for three of these.
#define LANES4(z, re, im, p) \
	VMULPD         Z31, z, z;              \
	VPERMILPD      $0x55, z, Z30;          \
	VMULPD         im, Z30, Z30;           \
	VFMADDSUB213PD Z30, re, z;             \
	VEXTRACTF64X2  $0, z, (p);             \
	VEXTRACTF64X2  $1, z, (p)(R8*1);       \
	VEXTRACTF64X2  $2, z, (p)(R8*2);       \
	VEXTRACTF64X2  $3, z, (p)(R9*1)

// func turnLanesAVX512(out, row *complex128, turns, gain *float64, channels int, outStep uintptr)
TEXT ·turnLanesAVX512(SB), NOSPLIT, $0-48
	MOVQ out+0(FP), DI
	MOVQ row+8(FP), SI
	MOVQ turns+16(FP), DX
	MOVQ gain+24(FP), BX
	MOVQ channels+32(FP), CX
	MOVQ outStep+40(FP), R8
	LEAQ (R8)(R8*2), R9
	LEAQ (DI)(R8*4), R10
	VMOVUPD   (DX), Z20
	VMOVUPD   64(DX), Z21
	VPERMILPD $0xff, Z20, Z22
	VPERMILPD $0xff, Z21, Z23
	VPERMILPD $0x00, Z20, Z20
	VPERMILPD $0x00, Z21, Z21

channel:
	VBROADCASTSD (BX), Z31
	VMOVUPD (SI), Z0
	VMOVUPD 64(SI), Z1
	LANES4(Z0, Z20, Z22, DI)
	LANES4(Z1, Z21, Z23, R10)
	ADDQ $8, BX
	ADDQ $128, SI
	ADDQ $16, DI
	ADDQ $16, R10
	DECQ CX
	JNZ  channel
	VZEROUPPER
	RET
