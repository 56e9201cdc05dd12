// The normal impact on a rigid barrier: the formulas of layers/impact (model, kernels, barrier), a block
// of threads a ball. Geometry and masses are made here from the radii; each thread keeps to the same
// elements and nodes, so only forces and positions are shared.
//
// Compile-time: NN nodes, EP elements (padded), NE of them, NS of the outermost ring, LAYERS_USED, PAIRS, GRADED.

#define LAYERS 8
#define SOME (PAIRS ? PAIRS : 1)
enum { M_DENSITY, M_SHEAR, M_BULK, M_PAIR };  // rows of a layer; then strength times shear and rate of each pair
#define M_ROWS (M_PAIR + 2 * PAIRS)
// Of a build, in doubles: radii, layers' rows, then of a graded build the elements' own moduli: shear, bulk, each pair's.
#define B_LAYER LAYERS
#define B_ELEMENT (B_LAYER + LAYERS * M_ROWS)
#define BUILD_SIZE (B_ELEMENT + (GRADED ? (2 + PAIRS) * EP : 0))
enum { P_SPEED, P_SAFETY, P_SHORTEST, P_HOURGLASS, P_SHIFT, PARS };
enum { O_STEPS, O_LEFT, O_COR, O_TIME, O_PEAK, O_DEFORMATION, O_INITIAL, O_FINAL, O_ELASTIC, O_VISCOUS, O_NETWORK,
       O_HOURGLASS, O_WORK, O_LOWEST, OUTS = O_LOWEST + LAYERS };
// Rows of an element.
enum { BR, BZ = BR + 4, BT = BZ + 4, GAMMA = BT + 4, VOLUME = GAMMA + 4, HOUR, STIFF, AREA = STIFF + 4, CB,
       HG = CB + 4, DISSIPATED = HG + 2, DETS, BRANCH };  // DETS: last J^(-1/3)
#define BRANCH_ROWS 6
#define ROWS (BRANCH + BRANCH_ROWS * PAIRS)
#define MOST_STEPS 16384

struct Topology {
  const u16* corner;          // (EP, 4)
  const u8* layer;            // (EP,) 255: padding
  const short* slot;          // (NN, 4) 4 element + corner, or -1
  const u8* surface;          // (NN,) whether it may touch the wall
  const double* place;        // (LAYERS_USED, 2, NN) per metre of each radius
};

DEV double element_area(const double* x, const u16 n[4]) {
  return 0.5 * ((x[n[2]] - x[n[0]]) * (x[NN + n[3]] - x[NN + n[1]]) - (x[n[3]] - x[n[1]]) * (x[NN + n[2]] - x[NN + n[0]]));
}
// Volume-mean gradients, volume and the corners' shares; see impact.model._gradients.
DEV void geometry(const double* x, const u16 n[4], double g[3][4], double share[4], double& volume) {
  const double cx[4] = {-1, 1, 1, -1}, cy[4] = {-1, -1, 1, 1}, gauss = 0.57735026918962576451, pi2 = 6.28318530717958647693;
  double r[4], z[4];
  for (int k = 0; k < 4; k++) { r[k] = x[n[k]]; z[k] = x[NN + n[k]]; share[k] = g[0][k] = g[1][k] = g[2][k] = 0; }
  for (int p = 0; p < 4; p++) {
    const double a = p & 2 ? gauss : -gauss, b = p & 1 ? gauss : -gauss;
    double da[4], db[4], N[4], ra = 0, rb = 0, za = 0, zb = 0, rm = 0;
    for (int k = 0; k < 4; k++) {
      N[k] = 0.25 * (1 + cx[k] * a) * (1 + cy[k] * b);
      da[k] = 0.25 * cx[k] * (1 + cy[k] * b); db[k] = 0.25 * cy[k] * (1 + cx[k] * a);
      ra += da[k] * r[k]; rb += db[k] * r[k]; za += da[k] * z[k]; zb += db[k] * z[k]; rm += N[k] * r[k];
    }
    const double ring = pi2 * rm, area = ra * zb - rb * za;
    for (int k = 0; k < 4; k++) {
      g[0][k] += ring * (da[k] * zb - db[k] * za); g[1][k] += ring * (db[k] * ra - da[k] * rb);
      g[2][k] += pi2 * area * N[k]; share[k] += ring * area * N[k];
    }
  }
  volume = share[0] + share[1] + share[2] + share[3];
  for (int i = 0; i < 3; i++) for (int k = 0; k < 4; k++) g[i][k] /= volume;
}

#define FAST_BYTES (8L * (5L * NN + 8L * EP + LAYERS * (M_ROWS + PAIRS) + 4 * 32))
#define SLOW_BYTES (8L * ((long)ROWS * EP + 2L * MOST_STEPS))

// One element to positions x, a time dt after the last: forces in f; whether asked, its frequency bound.
DEV double element(double* w, const u16 n[4], const double* x, double shear, double bulk, const double modulus[SOME],
                   const double rate[SOME], const double keep[SOME], double dt, bool ask, double f[8]) {
  double frr = 0, frz = 0, fzr = 0, fzz = 0, ftt = 0, hr = 0, hz = 0, br[4], bz[4], bt[4], gm[4];
  UNROLL for (int k = 0; k < 4; k++) {
    const double r = x[n[k]], z = x[NN + n[k]];
    br[k] = w[(BR + k) * EP]; bz[k] = w[(BZ + k) * EP]; bt[k] = w[(BT + k) * EP]; gm[k] = w[(GAMMA + k) * EP];
    hr += gm[k] * r; hz += gm[k] * z;
    frr += br[k] * r; frz += bz[k] * r; fzr += br[k] * z; fzz += bz[k] * z; ftt += bt[k] * r;
  }
  const double det = frr * fzz - frz * fzr, volume = det * ftt, e = volume - 1.0;
  double y = 1.0 - e / 3.0 + 2.0 / 9.0 * e * e;
  UNROLL for (int k = 0; k < 4; k++) y = y * (4.0 - volume * y * y * y) / 3.0;
  const double s = 1.0 / (y * y * det * det);
  const double c[4] = {s * (frz * frz + fzz * fzz), -s * (frr * frz + fzr * fzz), s * (frr * frr + fzr * fzr), 1.0 / (y * y * ftt * ftt)};
  double mean[4], nw[4] = {shear, 0.0, shear, shear};
  UNROLL for (int k = 0; k < 4; k++) { mean[k] = 0.5 * (w[(CB + k) * EP] + c[k]); w[(CB + k) * EP] = c[k]; }
  const double sr = hr - w[HG * EP], sz = hz - w[(HG + 1) * EP];
  w[HG * EP] = hr; w[(HG + 1) * EP] = hz; w[DETS * EP] = y;
  double hsr = shear * hr, hsz = shear * hz, lost = 0;
  const double hour = w[HOUR * EP];
  UNROLL for (int b = 0; b < PAIRS; b++) {
    double* own = w + (BRANCH + BRANCH_ROWS * b) * EP;
    const double k0 = keep[b], taken = 0.5 * (1.0 + k0), g = modulus[b];
    double a[4];
    UNROLL for (int k = 0; k < 4; k++) { a[k] = k0 * own[k * EP] + (1.0 - k0) * mean[k]; own[k * EP] = a[k]; nw[k] += g * a[k]; }
    const double ar = k0 * own[4 * EP] + taken * sr, az = k0 * own[5 * EP] + taken * sz;
    own[4 * EP] = ar; own[5 * EP] = az;
    hsr += g * ar; hsz += g * az;
    const double along = c[3] * (c[2] * a[0] + c[0] * a[2] - 2.0 * c[1] * a[1]) + (c[0] * c[2] - c[1] * c[1]) * a[3];
    const double against = (c[0] * a[2] + c[2] * a[0] - 2.0 * c[1] * a[1]) / (a[0] * a[2] - a[1] * a[1]) + c[3] / a[3];
    lost += dt * g * rate[b] * (0.5 * (along + against - 6.0) + hour * (ar * ar + az * az));
  }
  w[DISSIPATED * EP] += lost;
  const double y2 = y * y, v = w[VOLUME * EP];
  const double trace = y2 * ((frr * frr + fzr * fzr) * nw[0] + (frz * frz + fzz * fzz) * nw[2] + 2.0 * (frr * frz + fzr * fzz) * nw[1] + ftt * ftt * nw[3]);
  const double q = trace / 3.0 - bulk * (volume - 1.0) * volume, qd = v * q / det;
  const double prr = v * y2 * (frr * nw[0] + frz * nw[1]) - qd * fzz, prz = v * y2 * (frr * nw[1] + frz * nw[2]) + qd * fzr;
  const double pzr = v * y2 * (fzr * nw[0] + fzz * nw[1]) + qd * frz, pzz = v * y2 * (fzr * nw[1] + fzz * nw[2]) - qd * frr;
  const double ptt = v * y2 * ftt * nw[3] - v * q / ftt;
  UNROLL for (int k = 0; k < 4; k++) {
    f[k] = -(prr * br[k] + prz * bz[k] + ptt * bt[k] + v * hour * hsr * gm[k]);
    f[4 + k] = -(pzr * br[k] + pzz * bz[k] + v * hour * hsz * gm[k]);
  }
  if (!ask) return 0;
  if (!(det > 0.0)) return 1e300;
  double total = 0;
  UNROLL for (int k = 0; k < 4; k++) {
    const double cr = (fzz * br[k] - fzr * bz[k]) / det + bt[k] / ftt, cz = (frr * bz[k] - frz * br[k]) / det;
    total += w[(STIFF + k) * EP] * (cr * cr + cz * cz);
  }
  return total;
}
// As np.interp, over a history of steps; 0 before it.
DEV double between(const double* at, const double* value, int steps, double x) {
  if (x < at[0]) return 0;
  int low = 0, high = steps;  // at[low] <= x
  while (high - low > 1) { const int m = (low + high) / 2; if (at[m] <= x) low = m; else high = m; }
  if (low == steps - 1) return value[low];
  return (value[low + 1] - value[low]) / (at[low + 1] - at[low]) * (x - at[low]) + value[low];
}

DEV void nodal(const Topology& t, const double* f, int n, double& fr, double& fz) {
  UNROLL for (int k = 0; k < 4; k++) {
    const int at = t.slot[4 * n + k];
    if (at >= 0) { fr += f[(at & 3) * EP + (at >> 2)]; fz += f[(4 + (at & 3)) * EP + (at >> 2)]; }
  }
}
// All elements to the positions now; gives a thread's part of the frequency bound.
DEV double elements(const Topology& t, const double* own, const double* layer, const double* keep, double* slow, const double* x,
                    double* f, double dt, bool ask) {
  double bound = 0;
  FOR(e, EP) {
    const int l = t.layer[e];
    if (l == 255) continue;
    const double* row = layer + l * M_ROWS;
    u16 n[4]; double modulus[SOME], rate[SOME], k0[SOME], g[8], shear = row[M_SHEAR], bulk = row[M_BULK];
#ifdef __CUDACC__
    const ushort4 c = __ldg((const ushort4*)t.corner + e);
    n[0] = c.x; n[1] = c.y; n[2] = c.z; n[3] = c.w;
#else
    for (int k = 0; k < 4; k++) n[k] = t.corner[4 * e + k];
#endif
    UNROLL for (int b = 0; b < PAIRS; b++) { modulus[b] = row[M_PAIR + 2 * b]; rate[b] = row[M_PAIR + 2 * b + 1]; k0[b] = keep[l * PAIRS + b]; }
#if GRADED
    shear = own[e]; bulk = own[EP + e];
    UNROLL for (int b = 0; b < PAIRS; b++) modulus[b] = own[(2 + b) * EP + e];
#endif
    const double found = element(slow + e, n, x, shear, bulk, modulus, rate, k0, dt, ask, g);
    if (ask) bound = fmax(bound, found < 1e300 ? found : 1e300);
    UNROLL for (int k = 0; k < 8; k++) f[k * EP + e] = g[k];
  }
  return bound;
}

DEV void barrier(const Topology& t, const double* build, const double* par, void* fast, double* slow, double* out) {
  double* x = (double*)fast;
  double* v = x + 2 * NN;
  double* mass = v + 2 * NN;
  double* f = mass + NN;  // (8, EP)
  double* layer = f + 8 * EP;
  double* keep = layer + LAYERS * M_ROWS;
  double* room = keep + LAYERS * PAIRS;
  double* time_ = slow + (long)ROWS * EP;
  double* impulse_ = time_ + MOST_STEPS;
  const double* own = build + B_ELEMENT;
  FOR(i, LAYERS * M_ROWS) layer[i] = build[B_LAYER + i];
  FOR(i, LAYERS * PAIRS) keep[i] = 1;
  FOR(i, 2 * NN) {
    double sum = 0;
    for (int l = 0; l < LAYERS_USED; l++) sum += build[l] * t.place[(long)l * 2 * NN + i];
    x[i] = i < NN ? sum : sum + build[LAYERS_USED - 1];
    v[i] = i < NN ? 0.0 : -par[P_SPEED];
  }
  SYNC;
  FOR(e, EP) {
    double* w = slow + e;
    for (int r = 0; r < ROWS; r++) w[r * EP] = 0;
    for (int k = 0; k < 8; k++) f[k * EP + e] = 0;
    if (t.layer[e] == 255) continue;
    const double* row = layer + t.layer[e] * M_ROWS;
    u16 n[4]; double g[3][4], share[4], volume, gr = 0, gz = 0, square = 0, part[4];
    for (int k = 0; k < 4; k++) n[k] = t.corner[4 * e + k];
    geometry(x, n, g, share, volume);
    double shear = row[M_SHEAR], wave = row[M_BULK], strong = 0;
#if GRADED
    shear = own[e]; wave = own[EP + e];
#endif
    for (int b = 0; b < PAIRS; b++) strong += GRADED ? own[(2 + b) * EP + e] : row[M_PAIR + 2 * b];
    wave += 4.0 / 3.0 * (shear + strong);
    for (int k = 0; k < 4; k++) part[k] = row[M_DENSITY] * share[k];
    if (e >= NE - NS && e < NE) {  // part of the outer corners' mass goes to the inner ones
      const double two = par[P_SHIFT] * part[2], three = par[P_SHIFT] * part[3];
      part[2] -= two; part[3] -= three; part[0] += three; part[1] += two;
    }
    for (int k = 0; k < 4; k++) {
      const double alt = k & 1 ? -1.0 : 1.0;
      gr += alt * x[n[k]]; gz += alt * (x[NN + n[k]] - build[LAYERS_USED - 1]);
      square += g[0][k] * g[0][k] + g[1][k] * g[1][k];
      w[(BR + k) * EP] = g[0][k]; w[(BZ + k) * EP] = g[1][k]; w[(BT + k) * EP] = g[2][k];
      w[(STIFF + k) * EP] = wave * volume / part[k];
      f[k * EP + e] = part[k];
    }
    for (int k = 0; k < 4; k++) w[(GAMMA + k) * EP] = (k & 1 ? -1.0 : 1.0) - (gr * g[0][k] + gz * g[1][k]);
    w[VOLUME * EP] = volume; w[HOUR * EP] = par[P_HOURGLASS] * square; w[AREA * EP] = element_area(x, n);
    w[CB * EP] = w[(CB + 2) * EP] = w[(CB + 3) * EP] = 1;
    for (int b = 0; b < PAIRS; b++) { double* o = w + (BRANCH + BRANCH_ROWS * b) * EP; o[0] = o[2 * EP] = o[3 * EP] = 1; }
  }
  SYNC;
  FOR(n, NN) {
    double sum = 0;
    for (int k = 0; k < 4; k++) { const int at = t.slot[4 * n + k]; if (at >= 0) sum += f[(at & 3) * EP + (at >> 2)]; }
    mass[n] = sum;
  }
  double whole = 0;
  SYNC;
  FOR(n, NN) whole += mass[n];
  whole = block_sum(whole, room);
  double first = 0, dt = 0, time = 0, touch = 0, impulse = 0, work = 0, depth = 0, least = 0;
  int steps = 0, left = 0;
  while (steps < MOST_STEPS) {
    const bool ask = steps % 10 == 0;
    double bound = elements(t, own, layer, keep, slow, x, f, dt, ask);
    const double before = dt;
    if (ask) {
      bound = block_max(bound, room);
      if (!(bound < 1e30)) break;
      dt = 2.0 * par[P_SAFETY] / sqrt(bound);
      first = fmax(first, dt);
      if (dt < par[P_SHORTEST] * first) break;
      FOR(i, LAYERS * PAIRS) keep[i] = exp(-dt * layer[(i / SOME) * M_ROWS + M_PAIR + 2 * (i % SOME) + 1]);
    }
    SYNC;
    const double mid = 0.5 * (before + dt);
    double push = 0, done = 0;
    FOR(n, NN) {
      double fr = 0, fz = 0;
      nodal(t, f, n, fr, fz);
      const double light = 1.0 / mass[n];
      if (x[n] != 0.0) v[n] += mid * fr * light;
      const double old = v[NN + n];
      double vz = old + mid * fz * light;
      const double end = x[NN + n] + dt * vz;
      if (t.surface[n] && end < 0.0) {
        const double p = -end / (dt * mid * light);
        vz -= end / dt;
        push += p; done += mid * p * 0.5 * (old + vz);
      }
      v[NN + n] = vz;
      x[n] += dt * v[n]; x[NN + n] += dt * vz;
    }
    push = block_sum(push, room); done = block_sum(done, room);
    time += dt; impulse += mid * push; work += done;
    depth += (impulse / whole - par[P_SPEED]) * dt;
    least = fmin(least, depth);
    if (SCRIBE) { time_[steps] = time; impulse_[steps] = impulse; }
    steps++;
    if (push > 0.0) touch = time;
    else if (time > 1.05 * touch) {
      double p = 0;
      FOR(n, NN) p += v[NN + n] * mass[n];
      if (block_sum(p, room) > 0.0) { left = 1; break; }
    }
  }
  SYNC;
  // The velocities stand half a step back: bring them level with the positions.
  elements(t, own, layer, keep, slow, x, f, dt, false);
  SYNC;
  FOR(n, NN) {
    double fr = 0, fz = 0;
    nodal(t, f, n, fr, fz);
    if (x[n] != 0.0) v[n] += 0.5 * dt * fr / mass[n];
    v[NN + n] += 0.5 * dt * fz / mass[n];
  }
  SYNC;
  double p = 0, kinetic = 0, elastic = 0, viscous = 0, network = 0, hourglass = 0;
  FOR(n, NN) { p += mass[n] * v[NN + n]; kinetic += 0.5 * mass[n] * (v[n] * v[n] + v[NN + n] * v[NN + n]); }
  FOR(e, EP) {
    const int l = t.layer[e];
    if (l == 255) continue;
    const double* w = slow + e;
    const double* row = layer + l * M_ROWS;
    const double shear = GRADED ? own[e] : row[M_SHEAR], bulk = GRADED ? own[EP + e] : row[M_BULK];
    const double irr = w[CB * EP], irz = w[(CB + 1) * EP], izz = w[(CB + 2) * EP], itt = w[(CB + 3) * EP];
    const double crr = izz * itt, crz = -irz * itt, czz = irr * itt, ctt = irr * izz - irz * irz;
    const double y = w[DETS * EP], volume = 1.0 / (y * y * y), V = w[VOLUME * EP];
    elastic += V * (0.5 * shear * (crr + czz + ctt - 3.0) + 0.5 * bulk * (volume - 1.0) * (volume - 1.0));
    double h = 0.5 * shear * (w[HG * EP] * w[HG * EP] + w[(HG + 1) * EP] * w[(HG + 1) * EP]), net = 0;
    for (int b = 0; b < PAIRS; b++) {
      const double* o = w + (BRANCH + BRANCH_ROWS * b) * EP;
      const double g = GRADED ? own[(2 + b) * EP + e] : row[M_PAIR + 2 * b];
      const double a = o[0], c = o[EP], d = o[2 * EP], tt = o[3 * EP];
      net += 0.5 * g * (crr * a + 2.0 * crz * c + czz * d + ctt * tt - log((a * d - c * c) * tt) - 3.0);
      h += 0.5 * g * (o[4 * EP] * o[4 * EP] + o[5 * EP] * o[5 * EP]);
    }
    network += V * net; hourglass += V * w[HOUR * EP] * h; viscous += V * w[DISSIPATED * EP];
  }
  p = block_sum(p, room); kinetic = block_sum(kinetic, room); elastic = block_sum(elastic, room);
  viscous = block_sum(viscous, room); network = block_sum(network, room); hourglass = block_sum(hourglass, room);
  double contact = 0, peak = 0;
  if (left && steps > 0) {
    const double one = between(impulse_, time_, steps, 0.98 * impulse_[steps - 1]);
    const double two = between(impulse_, time_, steps, 0.998 * impulse_[steps - 1]);
    const double a = pow(1.0 - 0.98, 0.4), b = pow(1.0 - 0.998, 0.4);
    contact = two + (two - one) * b / (a - b);
    const double window = 0.05 * contact;
    FOR(i, steps) peak = fmax(peak, impulse_[i] - between(time_, impulse_, steps, time_[i] - window));
    peak = block_max(peak, room) / window;
  }
  for (int l = 0; l < LAYERS; l++) {
    double most = -1e300;
    FOR(e, EP) if (t.layer[e] == l) {
      u16 n[4];
      for (int k = 0; k < 4; k++) n[k] = t.corner[4 * e + k];
      const double ratio = element_area(x, n) / slow[(long)AREA * EP + e];
      most = fmax(most, ratio == ratio ? -ratio : 1e300);
    }
    most = block_max(most, room);
    if (SCRIBE) out[O_LOWEST + l] = -most;
  }
  if (SCRIBE) {
    out[O_STEPS] = steps; out[O_LEFT] = left; out[O_COR] = p / whole / par[P_SPEED]; out[O_TIME] = contact; out[O_PEAK] = peak;
    out[O_DEFORMATION] = -least; out[O_INITIAL] = 0.5 * whole * par[P_SPEED] * par[P_SPEED]; out[O_FINAL] = kinetic;
    out[O_ELASTIC] = elastic; out[O_VISCOUS] = viscous; out[O_NETWORK] = network; out[O_HOURGLASS] = hourglass; out[O_WORK] = work;
  }
  SYNC;
}

#ifdef __CUDACC__
extern "C" __device__ long sizes[3] = {FAST_BYTES, SLOW_BYTES, BUILD_SIZE};
extern "C" __global__ void __launch_bounds__(THREADS, BLOCKS)
march(const Topology* topology, const double* builds, const int* which, const double* pars, double* scratch, double* out, int n, int* queue) {
  extern __shared__ double fast[];
  __shared__ int mine;
  const Topology t = *topology;
  for (;;) {
    if (threadIdx.x == 0) mine = atomicAdd(queue, 1);
    __syncthreads();
    const int i = mine;
    __syncthreads();
    if (i >= n) break;
    barrier(t, builds + (long)which[i] * BUILD_SIZE, pars + (long)i * PARS, fast, scratch + blockIdx.x * (SLOW_BYTES / 8), out + (long)i * OUTS);
  }
}
#else
extern "C" void march(const Topology* topology, const double* builds, const int* which, const double* pars, double* out, int n) {
  std::vector<double> fast(FAST_BYTES / 8 + 8), slow(SLOW_BYTES / 8);
  for (int i = 0; i < n; i++)
    barrier(*topology, builds + (long)which[i] * BUILD_SIZE, pars + (long)i * PARS, fast.data(), slow.data(), out + (long)i * OUTS);
}
#endif
