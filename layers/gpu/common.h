// What the marches share: one block of threads an impact on a graphics card, one thread on a CPU.
// REAL: float or double. THREADS: of a block.
typedef REAL real;
typedef unsigned short u16;
typedef unsigned char u8;

#ifdef __CUDACC__
#define DEV __device__ __forceinline__
#define FOR(i, n) for (int i = threadIdx.x; i < (n); i += THREADS)
#define SYNC __syncthreads()
#define SYNC_OR(flag) __syncthreads_or(flag)
#define UNROLL _Pragma("unroll")
#define WARPS (THREADS / 32)
#define SCRIBE (threadIdx.x == THREADS - 1)  // moves the club, writes results
#define LOAD(p) __ldg(&(p))
#else
#include <cmath>
#include <cstring>
#include <vector>
using std::sqrt; using std::fmax; using std::fmin; using std::fabs; using std::exp;
#define DEV static inline
#define FOR(i, n) for (int i = 0; i < (n); i++)
#define SYNC
#define SYNC_OR(flag) (flag)
#define UNROLL
#define THREADS 1
#define WARPS 1
#define SCRIBE 1
#define LOAD(p) (p)
#endif

#define HUGE_REAL ((real)1e30)

// Reductions over the block in a fixed order: every run gives the same bits.
#ifdef __CUDACC__
template <class T> DEV T warp_sum(T v) { UNROLL for (int o = 16; o; o /= 2) v += __shfl_xor_sync(~0u, v, o); return v; }
template <class T> DEV T warp_max(T v) { UNROLL for (int o = 16; o; o /= 2) v = fmax(v, __shfl_xor_sync(~0u, v, o)); return v; }
template <class T> DEV void post(T v, T* room) { if (threadIdx.x % 32 == 0) room[threadIdx.x / 32] = v; }
#else
template <class T> DEV T warp_sum(T v) { return v; }
template <class T> DEV T warp_max(T v) { return v; }
template <class T> DEV void post(T v, T* room) { room[0] = v; }
#endif
template <class T> DEV T collect_sum(const T* room) { T v = 0; for (int k = 0; k < WARPS; k++) v += room[k]; return v; }
template <class T> DEV T collect_max(const T* room) { T v = room[0]; for (int k = 1; k < WARPS; k++) v = fmax(v, room[k]); return v; }
template <class T> DEV T block_max(T v, T* room) {
  SYNC; post(warp_max(v), room); SYNC;
  return collect_max(room);
}
template <class T> DEV T block_sum(T v, T* room) {
  SYNC; post(warp_sum(v), room); SYNC;
  return collect_sum(room);
}
// A value that is no number counts as beyond every bound.
DEV real or_huge(real v) { return v < HUGE_REAL ? v : HUGE_REAL; }
