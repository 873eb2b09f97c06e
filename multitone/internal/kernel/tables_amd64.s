//go:build !purego

#include "textflag.h"

// Orders in which vectors are permuted: the places that numbers are taken from, out
// of one vector, or of two whose places are counted on.

#define EIGHT(name, a, b, c, d, e, f, g, h) \
	DATA name+0(SB)/8, a;  \
	DATA name+8(SB)/8, b;  \
	DATA name+16(SB)/8, c; \
	DATA name+24(SB)/8, d; \
	DATA name+32(SB)/8, e; \
	DATA name+40(SB)/8, f; \
	DATA name+48(SB)/8, g; \
	DATA name+56(SB)/8, h; \
	GLOBL name(SB), RODATA|NOPTR, $64

// low and high interleave two vectors: the first halves, the second ones.
EIGHT(·low64, $0, $8, $1, $9, $2, $10, $3, $11)
EIGHT(·high64, $4, $12, $5, $13, $6, $14, $7, $15)

// Sixteen places of 32 bits, two a number: the second one is the upper half.
EIGHT(·low32, $0x1000000000, $0x1100000001, $0x1200000002, $0x1300000003, $0x1400000004, $0x1500000005, $0x1600000006, $0x1700000007)
EIGHT(·high32, $0x1800000008, $0x1900000009, $0x1a0000000a, $0x1b0000000b, $0x1c0000000c, $0x1d0000000d, $0x1e0000000e, $0x1f0000000f)

// reverse turns a vector about.
EIGHT(·reverse64, $7, $6, $5, $4, $3, $2, $1, $0)
EIGHT(·reverse32, $0x0e0000000f, $0x0c0000000d, $0x0a0000000b, $0x0800000009, $0x0600000007, $0x0400000005, $0x0200000003, $0x0000000001)
