// The oblique impact of one ball: the formulas of layers/strike (kernels, contact, head, march),
// for a block of threads. Nodal momenta take the place of velocities; forces of elements that
// share no node are added at once (COLOUR), or all in whole numbers, whose sums know no order (FIXED).
//
// Compile-time: NN nodes, NI inner ones, NC columns, NR rows of a column, NF faces, EP elements
// (padded to whole batches), PAIRS of relaxation, FIXED, GRADED, PREFETCH, CGLOBAL, IGLOBAL.

#define NK (NI + NC)  // nodes whose places scale with the innermost layer
#define LAYERS 8
enum { SHEAR, BULK, FREQ, RELIEF, HGF, VISCF, PER_PAIR };  // rows of a layer's constants
enum { STRENGTH, RATE, DECAY, PAIR_ROWS };                 // and of each of its relaxation pairs
#define LAYER_ROWS (PER_PAIR + PAIR_ROWS * PAIRS)
// Rows of a graded build's element constants; they come in the order of the elements.
enum { E_SHEAR, E_BULK, E_FREQ, E_RELIEF, E_H0, E_H1, E_H2, E_VISC, E_PAIR };
#define E_ROWS (E_PAIR + 2 * PAIRS)
#define STATE_ROWS (1 + 6 * PAIRS)
#define KEPT_ROWS (4 + (GRADED ? PAIRS : 0))
#define SOME (PAIRS ? PAIRS : 1)

// Of an impact, always double.
enum { P_K, P_C, P_KT, P_CT, P_MU, P_FADE, P_FACE_IM, P_HEAD_IM, P_HEAD_II, P_SPRING, P_DEPTH, P_CURVE, P_RADIUS,
       P_CLUB, P_PAUSE = P_CLUB + 10, P_GRACE, P_LONGEST, P_STABLE, P_INERTIA, P_MASS, P_FRAME_X, P_FRAME_Z, P_UNIT, PARS };
enum { FACE_X, FACE_Z, FACE_VX, FACE_VZ, HEAD_X, HEAD_Z, HEAD_VX, HEAD_VZ, TURN, TURN_RATE, CLUB_ROWS };
enum { O_VX, O_VZ, O_SPIN, O_ELAPSED, O_FIRST, O_LAST, O_GAP, O_DEFORMATION, O_STEPS, O_ENDED, O_BROKEN, O_CLUB,
       O_LOWEST = O_CLUB + CLUB_ROWS, OUTS = O_LOWEST + LAYERS };

// Of a build, in reals: offsets.
#define B_MASS 0
#define B_INVERSE (B_MASS + NN)
#define B_CARRY (B_INVERSE + NI)
#define B_PIVOT (B_CARRY + NR * NC)
#define B_RATIO (B_PIVOT + NR * NC)  // radius of each row of a column over the first's
#define B_CORE (B_RATIO + NR)        // radius of the first row
#define B_LAYER (B_CORE + 1)
#define B_ELEMENT (B_LAYER + LAYERS * LAYER_ROWS)
#define BUILD_SIZE (B_ELEMENT + (GRADED ? E_ROWS * EP : 0))

struct Topology {
  const u16* corner;       // (EP, 8)
  const u8* code;          // (EP,) layer, plus 8 times the phase within its batch; 255 is padding
  const signed char* row;  // (EP,) row under an element that lies between rows of columns, else -1
  const u16* face;         // (NF, 4) columns at the corners
  const short* around;     // (NC, 4) 4 face + corner, or -1
  const u8* phases;        // (batches,) colours within each batch
  const real* place;       // (3, NK) per metre of the innermost layer's radius
  const real* weight;      // (NF,) area of a point of a face, per square metre of radius
  const real* bulge;       // (NF,) per metre of radius
  const real* area;        // (NC,) per square metre of radius
  int far_;                // node opposite the first touch
};

#if FIXED
typedef int momentum;
#else
typedef real momentum;
#endif
DEV real from_fixed(momentum p, real unit) { return FIXED ? (real)p * unit : (real)p; }
DEV momentum to_fixed(real v, real per_unit) {
#if FIXED && defined(__CUDACC__)
  return __float2int_rn((float)(v * per_unit));
#elif FIXED
  return (int)std::lrint((double)(v * per_unit));
#else
  return v;
#endif
}

// Walsh-Hadamard: out[m] = sum_a phi_m(a) in[a]; modes by bits: 1 xi, 2 eta, 4 zeta.
DEV void forward(real* a) {
  UNROLL for (int b = 1; b < 8; b *= 2)
    UNROLL for (int i = 0; i < 8; i++)
      if (!(i & b)) { real lo = a[i], hi = a[i | b]; a[i] = hi + lo; a[i | b] = hi - lo; }
}
DEV void backward(real* a) {
  UNROLL for (int b = 1; b < 8; b *= 2)
    UNROLL for (int i = 0; i < 8; i++)
      if (!(i & b)) { real g = a[i], h = a[i | b]; a[i | b] = g + h; a[i] = g - h; }
}
DEV void cross_add(real* o, const real* a, const real* b) {
  o[0] += a[1] * b[2] - a[2] * b[1]; o[1] += a[2] * b[0] - a[0] * b[2]; o[2] += a[0] * b[1] - a[1] * b[0];
}
DEV real dot(const real* a, const real* b) { return a[0] * b[0] + a[1] * b[1] + a[2] * b[2]; }

// Mean gradient d by modes xi, eta, zeta, xi eta, eta zeta, zeta xi; patterns' positions; volume.
struct Shape { real d[6][3]; real xh[4][3]; real volume; };
struct Stiff { real h[4]; real visc; };

DEV void fetch(const real* field, int stride, const u16* n, real u[3][8]) {
  UNROLL for (int i = 0; i < 3; i++) UNROLL for (int k = 0; k < 8; k++) u[i][k] = field[i * stride + n[k]];
}
DEV void modes_of(const real* place, const real* ratio, const u16 n[8], int row, real c[8][3]) {
  if (row >= 0) {  // radius times direction: four directions, two radii
    const real low = ratio[row], high = ratio[row + 1], sum = high + low, gap = high - low;
    const int shift = row * NC;  // to the first row, which has the directions
    UNROLL for (int i = 0; i < 3; i++) {
      real a = place[i * NK + n[0] - shift], b = place[i * NK + n[1] - shift];
      real d = place[i * NK + n[2] - shift], e = place[i * NK + n[3] - shift];
      real s0 = b + a, d0 = b - a, s1 = e + d, d1 = e - d;
      real g0 = s1 + s0, g1 = d1 + d0, g2 = s1 - s0, g3 = d1 - d0;
      c[1][i] = sum * g1; c[2][i] = sum * g2; c[3][i] = sum * g3;
      c[4][i] = gap * g0; c[5][i] = gap * g1; c[6][i] = gap * g2; c[7][i] = gap * g3;
    }
  } else {
    UNROLL for (int i = 0; i < 3; i++) {
      real a[8];
      UNROLL for (int k = 0; k < 8; k++) a[k] = place[i * NK + n[k]];
      forward(a);
      UNROLL for (int k = 1; k < 8; k++) c[k][i] = a[k];
    }
  }
}
// The mean gradient is the cofactor matrix's integral over the cube, in closed form.
DEV void shape_of(const real c[8][3], Shape& s, real& det, real area[3]) {
  const real third = (real)(1.0 / 3.0);
  real t3[3], t5[3], t6[3];
  UNROLL for (int i = 0; i < 3; i++) {
    t3[i] = third * c[3][i]; t5[i] = third * c[5][i]; t6[i] = third * c[6][i];
    UNROLL for (int m = 0; m < 6; m++) s.d[m][i] = 0;
    s.xh[0][i] = c[3][i]; s.xh[1][i] = c[6][i]; s.xh[2][i] = c[5][i]; s.xh[3][i] = c[7][i];
  }
  cross_add(s.d[0], c[2], c[4]); area[0] = dot(s.d[0], s.d[0]); det = dot(s.d[0], c[1]);
  cross_add(s.d[1], c[4], c[1]); area[1] = dot(s.d[1], s.d[1]);
  cross_add(s.d[2], c[1], c[2]); area[2] = dot(s.d[2], s.d[2]);
  cross_add(s.d[0], t3, c[5]);
  real e2[3] = {0, 0, 0}, e4[3] = {0, 0, 0};
  cross_add(e2, t6, c[3]); cross_add(e4, t5, c[6]);
  real D = dot(c[1], s.d[0]) + dot(c[2], e2) + dot(c[4], e4);
  UNROLL for (int i = 0; i < 3; i++) { s.d[1][i] += e2[i]; s.d[2][i] += e4[i]; }
  cross_add(s.d[3], t5, c[1]); cross_add(s.d[3], c[2], t6);
  cross_add(s.d[4], t3, c[2]); cross_add(s.d[4], c[4], t5);
  cross_add(s.d[5], c[1], t3); cross_add(s.d[5], t6, c[4]);
  real r = (real)1 / D;
  UNROLL for (int m = 0; m < 6; m++) UNROLL for (int i = 0; i < 3; i++) s.d[m][i] *= r;
  s.volume = D * (real)(1.0 / 64.0);
}
// The last pattern's stiffness is a sixth of the others' sum.
DEV void stiff_of(const Shape& s, real det, const real area[3], real hgf, real viscf, real kept[4]) {
  real base = hgf * s.volume * (real)(64.0 / 3.0) / (det * det), sum = 0;
  kept[0] = base * (area[0] + area[1]); kept[1] = base * (area[1] + area[2]); kept[2] = base * (area[2] + area[0]);
  UNROLL for (int m = 0; m < 6; m++) sum += dot(s.d[m], s.d[m]);
  kept[3] = viscf * sqrt((real)(1.5 / 8.0) / sum);
}
DEV void deformation(const Shape& s, const real u[3][8], real F[3][3], real h[3][4]) {
  UNROLL for (int i = 0; i < 3; i++) {
    real a[8];
    UNROLL for (int k = 0; k < 8; k++) a[k] = u[i][k];
    forward(a);
    const real w[6] = {a[1], a[2], a[4], a[3], a[6], a[5]};
    UNROLL for (int j = 0; j < 3; j++) {
      real g = 0;
      UNROLL for (int m = 0; m < 6; m++) g += w[m] * s.d[m][j];
      F[i][j] = g;
    }
    h[i][0] = a[3]; h[i][1] = a[6]; h[i][2] = a[5]; h[i][3] = a[7];
    UNROLL for (int q = 0; q < 4; q++) h[i][q] -= dot(F[i], s.xh[q]);
    F[i][i] += (real)1;
  }
}
DEV real inverse_cube_root(real x) {
  real d = x - (real)1, z = (real)1 - d * (real)(1.0 / 3.0) + d * d * (real)(2.0 / 9.0) - d * d * d * (real)(14.0 / 81.0);
  UNROLL for (int k = 0; k < (sizeof(real) == 4 ? 2 : 3); k++) z = z * ((real)4 - x * z * z * z) * (real)(1.0 / 3.0);
  return z;
}
// One element: forces times `scale` in f (3, 8); internal tensors A and last J are renewed.
DEV void element(const real u[3][8], const Shape& s, const Stiff& q, real shear, real bulk, const real strength[SOME],
                 const real decay[SOME], real inverse_step, real scale, real A[SOME][6], real& last, real f[3][8]) {
  real F[3][3], h[3][4];
  deformation(s, u, F, h);
  real r0 = 0, r1 = 0, r2 = 0, r3 = 0, r4 = 0, r5 = 0;
  UNROLL for (int i = 0; i < 3; i++) {
    r0 += F[i][0] * F[i][0]; r1 += F[i][1] * F[i][1]; r2 += F[i][2] * F[i][2];
    r3 += F[i][0] * F[i][1]; r4 += F[i][1] * F[i][2]; r5 += F[i][2] * F[i][0];
  }
  real j = F[0][0] * (F[1][1] * F[2][2] - F[1][2] * F[2][1]) - F[0][1] * (F[1][0] * F[2][2] - F[1][2] * F[2][0]) +
           F[0][2] * (F[1][0] * F[2][1] - F[1][1] * F[2][0]);
  real root = inverse_cube_root(j), sc = root * root;
  real c0 = r1 * r2 - r4 * r4, c1 = r2 * r0 - r5 * r5, c2 = r0 * r1 - r3 * r3;
  real c3 = r4 * r5 - r3 * r2, c4 = r5 * r3 - r4 * r0, c5 = r3 * r4 - r5 * r1;
  real ij = (real)1 / j, unit = ij * ij, stretch = unit * (j * root);  // J^(2/3) = J J^(-1/3)
  real t[6] = {shear, shear, shear, 0, 0, 0};
  const real cb[6] = {c0, c1, c2, c3, c4, c5};
  UNROLL for (int b = 0; b < PAIRS; b++) {
    const real keep = decay[b], gain = (real)1 - keep, half = (real)0.5 * strength[b];
    UNROLL for (int k = 0; k < 6; k++) {
      real n = keep * A[b][k] + gain * (stretch * cb[k]);
      t[k] += half * (A[b][k] + n);
      A[b][k] = n;
    }
  }
  real speed = (j - last) * inverse_step;
  last = j;
  real pressure = bulk * (j - (real)1) + q.visc * speed;
  real trace = r0 * t[0] + r1 * t[1] + r2 * t[2] + (real)2 * (r3 * t[3] + r4 * t[4] + r5 * t[5]);
  real w = (pressure * j - sc * trace * (real)(1.0 / 3.0)) * unit;
  real vs = s.volume * scale;
  sc *= vs; w *= vs;
  real S0 = sc * t[0] + w * c0, S1 = sc * t[1] + w * c1, S2 = sc * t[2] + w * c2;
  real S3 = sc * t[3] + w * c3, S4 = sc * t[4] + w * c4, S5 = sc * t[5] + w * c5;
  real hq[4];
  UNROLL for (int k = 0; k < 4; k++) hq[k] = q.h[k] * scale;
  UNROLL for (int i = 0; i < 3; i++) {
    real m[3] = {F[i][0] * S0 + F[i][1] * S3 + F[i][2] * S5, F[i][0] * S3 + F[i][1] * S1 + F[i][2] * S4,
                 F[i][0] * S5 + F[i][1] * S4 + F[i][2] * S2};
    real p[4];
    UNROLL for (int k = 0; k < 4; k++) {
      p[k] = h[i][k] * hq[k];
      UNROLL for (int jj = 0; jj < 3; jj++) m[jj] -= p[k] * s.xh[k][jj];
    }
    real a[8];
    a[0] = 0;
    a[1] = dot(m, s.d[0]); a[2] = dot(m, s.d[1]); a[4] = dot(m, s.d[2]);
    a[3] = dot(m, s.d[3]) + p[0]; a[6] = dot(m, s.d[4]) + p[1]; a[5] = dot(m, s.d[5]) + p[2]; a[7] = p[3];
    backward(a);
    UNROLL for (int k = 0; k < 8; k++) f[i][k] = a[k];
  }
}
// tr(m^8) of the wave matrix; `along` is half the squared frequency of unit shape times 1e-12.
DEV real frequency(const real u[3][8], const Shape& s, real along, real across) {
  real F[3][3], h[3][4], g[3][3], B[3][8];
  deformation(s, u, F, h);
  UNROLL for (int i = 0; i < 3; i++) {
    const int p = (i + 1) % 3, q = (i + 2) % 3;
    UNROLL for (int j = 0; j < 3; j++) {
      const int r = (j + 1) % 3, t = (j + 2) % 3;
      g[i][j] = F[p][r] * F[q][t] - F[p][t] * F[q][r];
    }
  }
  UNROLL for (int j = 0; j < 3; j++) {
    real a[8] = {0, s.d[0][j], s.d[1][j], s.d[3][j], s.d[2][j], s.d[5][j], s.d[4][j], 0};
    backward(a);
    UNROLL for (int k = 0; k < 8; k++) B[j][k] = a[k];
  }
  real m[6] = {0, 0, 0, 0, 0, 0};
  UNROLL for (int k = 0; k < 4; k++) {
    UNROLL for (int side = 0; side < 2; side++) {
      real b[3], v[3], w = side ? across : along;
      UNROLL for (int j = 0; j < 3; j++) b[j] = side ? B[j][k + 4] - B[j][k] : B[j][k + 4] + B[j][k];
      UNROLL for (int i = 0; i < 3; i++) v[i] = dot(g[i], b);
      m[0] += w * v[0] * v[0]; m[1] += w * v[1] * v[1]; m[2] += w * v[2] * v[2];
      m[3] += w * v[0] * v[1]; m[4] += w * v[1] * v[2]; m[5] += w * v[2] * v[0];
    }
  }
  UNROLL for (int k = 0; k < 2; k++) {
    real a = m[0], b = m[1], c = m[2], d = m[3], e = m[4], f = m[5];
    m[0] = a * a + d * d + f * f; m[1] = d * d + b * b + e * e; m[2] = f * f + e * e + c * c;
    m[3] = a * d + d * b + f * e; m[4] = d * f + b * e + e * c; m[5] = f * a + e * d + c * f;
  }
  return m[0] * m[0] + m[1] * m[1] + m[2] * m[2] + (real)2 * (m[3] * m[3] + m[4] * m[4] + m[5] * m[5]);
}

#ifdef __CUDACC__
DEV void unpack(uint4 w, u16 n[8]) {
  n[0] = w.x & 65535; n[1] = w.x >> 16; n[2] = w.y & 65535; n[3] = w.y >> 16;
  n[4] = w.z & 65535; n[5] = w.z >> 16; n[6] = w.w & 65535; n[7] = w.w >> 16;
}
#endif
DEV void corners(const Topology& t, int e, u16 n[8]) {
#ifdef __CUDACC__
  unpack(__ldg((const uint4*)t.corner + e), n);
#else
  for (int k = 0; k < 8; k++) n[k] = t.corner[8 * e + k];
#endif
}

// Constants of an element: by its layer from fast memory, or its own.
struct Matter { real shear, bulk, strength[SOME], decay[SOME]; };
DEV void matter_of(const real* layer, const real* own, const real* kept, int code, int e, Matter& m) {
#if GRADED
  m.shear = LOAD(own[E_SHEAR * EP + e]); m.bulk = LOAD(own[E_BULK * EP + e]);
  UNROLL for (int b = 0; b < PAIRS; b++) {
    m.strength[b] = LOAD(own[(E_PAIR + 2 * b) * EP + e]);
    m.decay[b] = kept[(4 + b) * EP + e];
  }
#else
  const real* row = layer + (code & 7) * LAYER_ROWS;
  m.shear = row[SHEAR]; m.bulk = row[BULK];
  UNROLL for (int b = 0; b < PAIRS; b++) {
    m.strength[b] = row[PER_PAIR + PAIR_ROWS * b + STRENGTH]; m.decay[b] = row[PER_PAIR + PAIR_ROWS * b + DECAY];
  }
#endif
}

// Distance of a point of the ball from the face, and the face's axes under it; see contact._approach.
struct Axes { real c, t; double gap; };
DEV Axes axes_at(double x, double z, const double* club, double cos_, double sin_, double curve) {
  Axes a;
  a.gap = x * cos_ + z * sin_;
  double c = cos_, s = sin_;
  const double lean = curve * (z * cos_ - x * sin_);
  if (lean != 0.0) {
    a.gap += 0.5 * lean * lean / curve;
    const double size = 1.0 / sqrt(1.0 + lean * lean);
    c = size * (cos_ - lean * sin_); s = size * (sin_ + lean * cos_);
  }
  a.c = (real)c; a.t = (real)s;
  return a;
}
// The club over a step; see head.drive_club.
DEV void drive_club(const double* par, double* club, double cos_, double sin_, double fx, double fz, double torque, double mean, double step) {
  const double px = mean * fx, pz = mean * fz, moment = mean * torque;
  const double light = par[P_HEAD_IM], turning = par[P_HEAD_II], face = par[P_FACE_IM];
  const double rx = club[FACE_X] - club[HEAD_X], rz = club[FACE_Z] - club[HEAD_Z];
  if (par[P_SPRING] == 0.0) {
    club[HEAD_VX] -= light * px; club[HEAD_VZ] -= light * pz;
    club[TURN_RATE] -= turning * (moment - club[HEAD_X] * pz + club[HEAD_Z] * px);
    club[FACE_VX] = club[HEAD_VX] - club[TURN_RATE] * rz;
    club[FACE_VZ] = club[HEAD_VZ] + club[TURN_RATE] * rx;
  } else {
    club[TURN_RATE] -= turning * (moment - club[FACE_X] * pz + club[FACE_Z] * px);
    const double pull = mean * par[P_SPRING] * (rx * cos_ + rz * sin_ - par[P_DEPTH]);
    club[FACE_VX] -= face * (px + pull * cos_); club[FACE_VZ] -= face * (pz + pull * sin_);
    club[HEAD_VX] += light * pull * cos_; club[HEAD_VZ] += light * pull * sin_;
    club[TURN_RATE] += turning * pull * (rx * sin_ - rz * cos_);
    const double rate = club[TURN_RATE];
    double apart = cos_ * (club[FACE_VZ] - club[HEAD_VZ] - rate * rx);
    apart -= sin_ * (club[FACE_VX] - club[HEAD_VX] + rate * rz);
    const double lever = rx * cos_ + rz * sin_, held = apart / (face + light + turning * lever * lever);
    club[FACE_VX] += face * held * sin_; club[FACE_VZ] -= face * held * cos_;
    club[HEAD_VX] -= light * held * sin_; club[HEAD_VZ] += light * held * cos_;
    club[TURN_RATE] += turning * held * lever;
  }
  club[FACE_X] += step * club[FACE_VX]; club[FACE_Z] += step * club[FACE_VZ];
  club[HEAD_X] += step * club[HEAD_VX]; club[HEAD_Z] += step * club[HEAD_VZ];
  club[TURN] += step * club[TURN_RATE];
}
DEV bool may_meet_again(const double* par, const double* club, double cos_, double sin_, double nearest) {
  if (par[P_SPRING] == 0.0) return false;
  const double rx = club[FACE_X] - club[HEAD_X], rz = club[FACE_Z] - club[HEAD_Z];
  const double out = rx * cos_ + rz * sin_ - par[P_DEPTH];
  double speed = cos_ * (club[FACE_VX] - club[HEAD_VX] + club[TURN_RATE] * rz);
  speed += sin_ * (club[FACE_VZ] - club[HEAD_VZ] - club[TURN_RATE] * rx);
  const double square = par[P_SPRING] * (par[P_FACE_IM] + par[P_HEAD_IM]);
  return nearest < sqrt(out * out + speed * speed / square) - out;
}

// Forces at the points of one face and their impulses on its corners; see contact._press.
struct Law { real k, kt, mu, fade, soft, soft_along; };
DEV bool press(const Topology& t, int f, real radius, const Law& law, real dt, const real* near_, const real* swift,
               const real* light, const real* stretch, real* force, real* impulse) {
  int s[4];
  UNROLL for (int q = 0; q < 4; q++) s[q] = t.face[4 * f + q];
  const real bulge = t.bulge[f] * radius;
  real g[4], w[3][4], li[4], im[3][4];
  bool touched = false;
  UNROLL for (int q = 0; q < 4; q++) { g[q] = near_[s[q]]; im[0][q] = im[1][q] = im[2][q] = 0; }
  if (fmin(fmin(g[0], g[1]), fmin(g[2], g[3])) < bulge) {
    const real area = t.weight[f] * radius * radius;
    UNROLL for (int q = 0; q < 4; q++) {
      li[q] = light[s[q]];
      UNROLL for (int i = 0; i < 3; i++) w[i][q] = swift[i * NC + s[q]];
    }
    UNROLL for (int pt = 0; pt < 4; pt++) {
      const real a = pt & 2 ? (real)0.75 : (real)0.25, b = pt & 1 ? (real)0.75 : (real)0.25;
      const real N[4] = {((real)1 - a) * ((real)1 - b), a * ((real)1 - b), a * b, ((real)1 - a) * b};
      real gap = -bulge, w0 = 0, w1 = 0, w2 = 0, ease = 0;
      UNROLL for (int q = 0; q < 4; q++) {
        gap += N[q] * g[q]; w0 += N[q] * w[0][q]; w1 += N[q] * w[1][q]; w2 += N[q] * w[2][q]; ease += N[q] * li[q];
      }
      real normal = -(law.k * gap + law.soft * w0) / ((real)1 + law.soft * dt * ease);
      real along = 0, across = 0, stuck = 0;
      if (gap > (real)0 || normal <= (real)0) {
        normal = 0;
      } else {
        touched = true;
        const real h = (real)1 / ((real)1 + law.soft_along * dt * ease);
        along = -(law.kt * stretch[pt * NF + f] + law.soft_along * w2) * h;
        across = -(law.kt * stretch[(4 + pt) * NF + f] + law.soft_along * w1) * h;
        const real size = sqrt(along * along + across * across);
        const real limit = law.mu * normal / ((real)1 + law.fade * sqrt(w1 * w1 + w2 * w2));
        stuck = size <= limit;
        if (size > limit) { along *= limit / size; across *= limit / size; }
        UNROLL for (int q = 0; q < 4; q++) {
          const real part = dt * area * N[q];
          im[0][q] += part * normal; im[1][q] += part * across; im[2][q] += part * along;
        }
      }
      force[(4 * pt) * NF + f] = normal; force[(4 * pt + 1) * NF + f] = along;
      force[(4 * pt + 2) * NF + f] = across; force[(4 * pt + 3) * NF + f] = stuck;
    }
  }
  UNROLL for (int i = 0; i < 3; i++) UNROLL for (int q = 0; q < 4; q++) impulse[(4 * i + q) * NF + f] = im[i][q];
  return touched;
}
// Stretches of one face over the step; see contact._settle.
DEV void settle(const Topology& t, int f, real radius, const Law& law, real dt, const real* near_, const real* swift,
                const real* force, real* stretch) {
  int s[4];
  UNROLL for (int q = 0; q < 4; q++) s[q] = t.face[4 * f + q];
  const real bulge = t.bulge[f] * radius;
  real g[4];
  UNROLL for (int q = 0; q < 4; q++) g[q] = near_[s[q]];
  if (!(fmin(fmin(g[0], g[1]), fmin(g[2], g[3])) < bulge)) return;
  UNROLL for (int pt = 0; pt < 4; pt++) {
    const real a = pt & 2 ? (real)0.75 : (real)0.25, b = pt & 1 ? (real)0.75 : (real)0.25;
    const real N[4] = {((real)1 - a) * ((real)1 - b), a * ((real)1 - b), a * b, ((real)1 - a) * b};
    real gap = -bulge, w0 = 0, w1 = 0, w2 = 0;
    UNROLL for (int q = 0; q < 4; q++) {
      gap += N[q] * g[q]; w0 += N[q] * swift[s[q]]; w1 += N[q] * swift[NC + s[q]]; w2 += N[q] * swift[2 * NC + s[q]];
    }
    const real normal = force[(4 * pt) * NF + f];
    real z = stretch[pt * NF + f], y = stretch[(4 + pt) * NF + f];
    if (gap + dt * w0 >= (real)0 || normal == (real)0) { z = 0; y = 0; }
    else if (force[(4 * pt + 3) * NF + f] == (real)1) { z += dt * w2; y += dt * w1; }
    else { z = -force[(4 * pt + 1) * NF + f] / law.kt; y = -force[(4 * pt + 2) * NF + f] / law.kt; }
    stretch[pt * NF + f] = z; stretch[(4 + pt) * NF + f] = y;
  }
}

// Memory of a block: fast is shared on a card; slow, in reals, is the card's own.
#define CONTACT_FAST ((CGLOBAL ? 0 : 24 * NF) + (IGLOBAL ? 0 : 12 * NF))
#define SLOW_SIZE ((STATE_ROWS + KEPT_ROWS) * (long)EP + (CGLOBAL ? 24L * NF : 0) + (IGLOBAL ? 12L * NF : 0))
#define FAST_BYTES (8L * (CLUB_ROWS + 8 + 3 * 32) + \
  (long)sizeof(real) * (6L * NN + 3 * NK + 5 * NC + CONTACT_FAST + LAYERS * LAYER_ROWS + NR + 32 + 32 + 4))

enum { S_COS, S_SIN, S_FIRST, S_LAST, S_GAP, S_DEFORMATION, S_ENDED, S_UNUSED };

DEV double place_of(const real* place, const real* ratio, int dir, int node) {
  if (node < NK) return (double)place[dir * NK + node];
  const int row = (node - NI) / NC;
  return (double)ratio[row] * (double)place[dir * NK + node - row * NC];
}

DEV void impact(const Topology& t, const real* build, const double* par, void* fast, real* slow, double* out) {
  double* club = (double*)fast;
  double* shared = club + CLUB_ROWS;
  double* droom = shared + 8;
  real* u = (real*)(droom + 3 * 32);
  momentum* p = (momentum*)(u + 3 * NN);
  real* place = u + 6 * NN;
  real* near_ = place + 3 * NK;
  real* swift = near_ + NC;
  real* light = swift + 3 * NC;
  real* layer = light + NC;
  real* ratio = layer + LAYERS * LAYER_ROWS;
  real* room = ratio + NR;  // two of 32
  real* rest = room + 64;
  real* state = slow;
  real* kept = state + STATE_ROWS * EP;
  real* more = kept + KEPT_ROWS * EP;
#if CGLOBAL
  real* stretch = more; real* force = more + 8 * NF;
#else
  real* stretch = rest; real* force = rest + 8 * NF;
#endif
#if IGLOBAL
  real* impulse = more + (CGLOBAL ? 24 * NF : 0);
#else
  real* impulse = rest + (CGLOBAL ? 0 : 24 * NF);
#endif
  const real* mass = build + B_MASS;
  const real* inverse = build + B_INVERSE;
  const real* carry = build + B_CARRY;
  const real* pivot = build + B_PIVOT;
  const real* own = build + B_ELEMENT;
  const real unit = (real)par[P_UNIT], per_unit = (real)(1.0 / par[P_UNIT]);
  const real radius = (real)par[P_RADIUS];
  (void)more; (void)rest;

  FOR(i, LAYERS * LAYER_ROWS) layer[i] = build[B_LAYER + i];
  FOR(i, NR) ratio[i] = build[B_RATIO + i];
  FOR(i, 3 * NK) place[i] = build[B_CORE] * t.place[i];
  FOR(i, NC) light[i] = t.area[i] * radius * radius * pivot[(NR - 1) * NC + i];
  FOR(i, 3 * NN) {
    u[i] = 0;
    const real m = mass[i % NN];
    p[i] = to_fixed(i < NN ? -(real)par[P_FRAME_X] * m : i < 2 * NN ? (real)0 : -(real)par[P_FRAME_Z] * m, per_unit);
  }
  FOR(i, 8 * NF) stretch[i] = 0;
  if (SCRIBE) {
    for (int k = 0; k < CLUB_ROWS; k++) club[k] = par[P_CLUB + k];
    club[FACE_VX] -= par[P_FRAME_X]; club[HEAD_VX] -= par[P_FRAME_X];
    club[FACE_VZ] -= par[P_FRAME_Z]; club[HEAD_VZ] -= par[P_FRAME_Z];
    for (int k = 0; k < 8; k++) shared[k] = 0;
    shared[S_COS] = cos(club[TURN]); shared[S_SIN] = sin(club[TURN]); shared[S_FIRST] = -1;
  }
  SYNC;
  FOR(e, EP) {
    for (int r = 0; r < STATE_ROWS; r++) state[r * EP + e] = r == 0 || (r - 1) % 6 < 3 ? 1 : 0;
    const int code = t.code[e];
    if (code != 255) {
#if GRADED
      for (int m = 0; m < 4; m++) kept[m * EP + e] = own[(E_H0 + m) * EP + e];
      for (int b = 0; b < PAIRS; b++) kept[(4 + b) * EP + e] = 0;
#else
      u16 n[8]; real c[8][3], det, area[3], k[4]; Shape s;
      corners(t, e, n);
      modes_of(place, ratio, n, t.row[e], c);
      shape_of(c, s, det, area);
      stiff_of(s, det, area, layer[(code & 7) * LAYER_ROWS + HGF], layer[(code & 7) * LAYER_ROWS + VISCF], k);
      for (int m = 0; m < 4; m++) kept[m * EP + e] = k[m];
#endif
    }
  }
  double lowest = 0;
  FOR(i, NN) lowest = fmax(lowest, -place_of(place, ratio, 0, i));
  const double reach = place_of(place, ratio, 0, t.far_) + block_max(lowest, droom);
  double time = 0, step = 0, next = 0;
  int steps = 0, broken = 0;
  SYNC;
  while (time < par[P_LONGEST]) {
    if (steps % 32 == 0) {
      real bound = 0;
      FOR(e, EP) {
        const int code = t.code[e];
        if (code != 255) {
          u16 n[8]; real v[3][8], c[8][3], det, area[3]; Shape s;
          corners(t, e, n);
          fetch(u, NN, n, v);
          modes_of(place, ratio, n, t.row[e], c);
          shape_of(c, s, det, area);
#if GRADED
          const real along = (real)0.5 * own[E_FREQ * EP + e], across = along * own[E_RELIEF * EP + e];
#else
          const real along = (real)0.5 * layer[(code & 7) * LAYER_ROWS + FREQ];
          const real across = along * layer[(code & 7) * LAYER_ROWS + RELIEF];
#endif
          bound = fmax(bound, or_huge(frequency(v, s, along, across)));
        }
      }
      bound = block_max(bound, room);
      if (!(bound > 0 && bound < HUGE_REAL)) { broken = 1; break; }
      next = par[P_STABLE] / sqrt(sqrt(sqrt(sqrt((double)bound))) * 1e12);
      if (steps == 0) step = next;
    }
    const double mean = 0.5 * (step + next);
    const real inverse_step = (real)(1.0 / step), scale = (real)-mean;
    int torn = 0;
#ifdef __CUDACC__
    const int batches = EP / THREADS;
#if PREFETCH
    uint4 word = __ldg((const uint4*)t.corner + threadIdx.x);
    int code_next = __ldg(t.code + threadIdx.x), row_next = __ldg(t.row + threadIdx.x);
    real ahead[STATE_ROWS];
    UNROLL for (int r = 0; r < STATE_ROWS; r++) ahead[r] = state[r * EP + threadIdx.x];
#endif
    for (int batch = 0; batch < batches; batch++) {
      const int e = batch * THREADS + threadIdx.x;
      real held[STATE_ROWS];
      u16 n[8];
#if PREFETCH
      const int code = code_next, row = row_next;
      unpack(word, n);
      UNROLL for (int r = 0; r < STATE_ROWS; r++) held[r] = ahead[r];
      if (batch + 1 < batches) {
        const int g = e + THREADS;
        word = __ldg((const uint4*)t.corner + g);
        code_next = __ldg(t.code + g); row_next = __ldg(t.row + g);
        UNROLL for (int r = 0; r < STATE_ROWS; r++) ahead[r] = state[r * EP + g];
      }
#else
      const int code = __ldg(t.code + e), row = __ldg(t.row + e);
      corners(t, e, n);
      UNROLL for (int r = 0; r < STATE_ROWS; r++) held[r] = state[r * EP + e];
#endif
#else
    for (int e = 0; e < EP; e++) {
      const int code = t.code[e], row = t.row[e];
      real held[STATE_ROWS];
      u16 n[8];
      corners(t, e, n);
      for (int r = 0; r < STATE_ROWS; r++) held[r] = state[r * EP + e];
#endif
      real f[3][8];
      if (code != 255) {
        real v[3][8], c[8][3], det, area[3], A[SOME][6], J = held[0]; Shape s; Stiff q; Matter m;
        UNROLL for (int b = 0; b < PAIRS; b++) UNROLL for (int k = 0; k < 6; k++) A[b][k] = held[1 + 6 * b + k];
        modes_of(place, ratio, n, row, c);
        shape_of(c, s, det, area);
        UNROLL for (int k = 0; k < 3; k++) q.h[k] = kept[k * EP + e];
        q.h[3] = (q.h[0] + q.h[1] + q.h[2]) * (real)(1.0 / 6.0);
        q.visc = kept[3 * EP + e];
        matter_of(layer, own, kept, code, e, m);
        fetch(u, NN, n, v);
        element(v, s, q, m.shear, m.bulk, m.strength, m.decay, inverse_step, scale, A, J, f);
        torn |= !(fabs(f[0][0] + f[1][1] + f[2][2]) < HUGE_REAL);  // no number, as whole numbers would not show
        state[e] = J;
        UNROLL for (int b = 0; b < PAIRS; b++) UNROLL for (int k = 0; k < 6; k++) state[(1 + 6 * b + k) * EP + e] = A[b][k];
      }
#if FIXED
      if (code != 255)
        UNROLL for (int i = 0; i < 3; i++) UNROLL for (int k = 0; k < 8; k++)
#ifdef __CUDACC__
          atomicAdd(&p[i * NN + n[k]], to_fixed(f[i][k], per_unit));
#else
          p[i * NN + n[k]] += to_fixed(f[i][k], per_unit);
#endif
#elif defined(__CUDACC__)
      const int phases = t.phases[batch];
      for (int ph = 0; ph < phases; ph++) {
        SYNC;
        if (code != 255 && (code >> 3) == ph)
          UNROLL for (int i = 0; i < 3; i++) UNROLL for (int k = 0; k < 8; k++) p[i * NN + n[k]] += f[i][k];
      }
#else
      if (code != 255)
        UNROLL for (int i = 0; i < 3; i++) UNROLL for (int k = 0; k < 8; k++) p[i * NN + n[k]] += f[i][k];
#endif
    }
    if (SYNC_OR(torn)) { broken = 1; break; }
    if (steps % 32 == 0) {
#if GRADED
      FOR(e, EP) for (int b = 0; b < PAIRS; b++)
        kept[(4 + b) * EP + e] = (real)exp(-next * (double)own[(E_PAIR + 2 * b + 1) * EP + e]);
#else
      FOR(i, LAYERS * PAIRS) {
        real* pair = layer + (i / SOME) * LAYER_ROWS + PER_PAIR + PAIR_ROWS * (i % SOME);
        pair[DECAY] = (real)exp(-next * (double)pair[RATE]);
      }
#endif
    }
    step = next;
    const real dt = (real)mean, du = (real)step;
    const double cos_ = shared[S_COS], sin_ = shared[S_SIN];
    // Surface nodes: velocities and distances in the axes of the face under each.
    real away = -HUGE_REAL;
    FOR(s, NC) {
      const bool flat = place[NK + NI + s] == (real)0;
      real v[3];
      UNROLL for (int i = 0; i < 3; i++) {
        real y = 0;
        if (!(i == 1 && flat)) {
          y = from_fixed(p[i * NN + NI + s], unit);
          UNROLL for (int r = 1; r < NR; r++) y = from_fixed(p[i * NN + NI + r * NC + s], unit) + carry[r * NC + s] * y;
          y *= pivot[(NR - 1) * NC + s];
        }
        v[i] = y;
      }
      const int node = NI + (NR - 1) * NC + s;
      const double wide = (double)ratio[NR - 1];
      const double x = wide * (double)place[NI + s] + (double)u[node] - club[FACE_X];
      const double z = wide * (double)place[2 * NK + NI + s] + (double)u[2 * NN + node] - club[FACE_Z];
      const Axes a = axes_at(x, z, club, cos_, sin_, par[P_CURVE]);
      const real vx = v[0] - (real)(club[FACE_VX] - club[TURN_RATE] * z), vz = v[2] - (real)(club[FACE_VZ] + club[TURN_RATE] * x);
      swift[s] = vx * a.c + vz * a.t; swift[NC + s] = v[1]; swift[2 * NC + s] = vz * a.c - vx * a.t;
      near_[s] = (real)a.gap;
      away = fmax(away, -near_[s]);
    }
    post(warp_max(away), room);
    SYNC;
    const Law law = {(real)par[P_K], (real)par[P_KT], (real)par[P_MU], (real)par[P_FADE],
                     (real)0.5 * dt * (real)par[P_K] + (real)par[P_C], (real)0.5 * dt * (real)par[P_KT] + (real)par[P_CT]};
    int touching = 0;
    FOR(f, NF) touching |= press(t, f, radius, law, dt, near_, swift, light, stretch, force, impulse);
    touching = SYNC_OR(touching);
    if (touching) {
      double fx = 0, fz = 0, torque = 0;
      FOR(s, NC) {
        real a[3] = {0, 0, 0};
        UNROLL for (int q = 0; q < 4; q++) {
          const int at = t.around[4 * s + q];
          if (at >= 0) UNROLL for (int i = 0; i < 3; i++) a[i] += impulse[(4 * i + (at & 3)) * NF + (at >> 2)];
        }
        if (a[0] > (real)0) {
          const int node = NI + (NR - 1) * NC + s;
          if (place[NK + NI + s] == (real)0) a[1] = 0;
          const real ease = pivot[(NR - 1) * NC + s];
          UNROLL for (int i = 0; i < 3; i++) swift[i * NC + s] += ease * a[i];
          const double wide = (double)ratio[NR - 1];
          const double x = wide * (double)place[NI + s] + (double)u[node];
          const double z = wide * (double)place[2 * NK + NI + s] + (double)u[2 * NN + node];
          const Axes ax = axes_at(x - club[FACE_X], z - club[FACE_Z], club, cos_, sin_, par[P_CURVE]);
          const real px = ax.c * a[0] - ax.t * a[2], pz = ax.t * a[0] + ax.c * a[2];
          p[node] += to_fixed(px, per_unit); p[NN + node] += to_fixed(a[1], per_unit); p[2 * NN + node] += to_fixed(pz, per_unit);
          fx += (double)px; fz += (double)pz; torque += x * (double)pz - z * (double)px;
        }
      }
      post(warp_sum(fx), droom); post(warp_sum(fz), droom + 32); post(warp_sum(torque), droom + 64);
    }
    SYNC;
    if (touching) FOR(f, NF) settle(t, f, radius, law, dt, near_, swift, force, stretch);
    time += step;
    steps++;
    if (SCRIBE) {
      const double each = touching ? 1.0 / mean : 0.0;
      const double fx = touching ? collect_sum(droom) : 0.0, fz = touching ? collect_sum(droom + 32) : 0.0;
      const double torque = touching ? collect_sum(droom + 64) : 0.0;
      const double nearest = -(double)collect_max(room);
      drive_club(par, club, cos_, sin_, each * fx, each * fz, each * torque, mean, step);
      shared[S_COS] = cos(club[TURN]); shared[S_SIN] = sin(club[TURN]);
      if (touching) {
        if (shared[S_FIRST] < 0) shared[S_FIRST] = time;
        else shared[S_GAP] = fmax(shared[S_GAP], time - shared[S_LAST]);
        shared[S_LAST] = time;
      } else if (time - shared[S_LAST] > fmax(par[P_PAUSE], par[P_GRACE] * (shared[S_LAST] - shared[S_FIRST])) &&
                 !may_meet_again(par, club, shared[S_COS], shared[S_SIN], nearest)) {
        shared[S_ENDED] = 1;
      }
    }
    FOR(node, NI) {
      const real ease = du * inverse[node];
      if (place[NK + node] == (real)0) p[NN + node] = 0;
      UNROLL for (int i = 0; i < 3; i++) u[i * NN + node] += from_fixed(p[i * NN + node], unit) * ease;
    }
    FOR(i, 3 * NC) {
      const int dir = i / NC, s = i - dir * NC, base = dir * NN + NI + s;
      if (dir == 1 && place[NK + NI + s] == (real)0) {
        UNROLL for (int r = 0; r < NR; r++) p[base + r * NC] = 0;
      } else {
        real y[NR], v = 0;
        y[0] = from_fixed(p[base], unit);
        UNROLL for (int r = 1; r < NR; r++) y[r] = from_fixed(p[base + r * NC], unit) + carry[r * NC + s] * y[r - 1];
        UNROLL for (int r = NR - 1; r >= 0; r--) {
          v = y[r] * pivot[r * NC + s] + (r < NR - 1 ? carry[(r + 1 < NR ? r + 1 : r) * NC + s] * v : (real)0);
          u[base + r * NC] += du * v;
        }
      }
    }
    SYNC;
    if (SCRIBE) {
      const double x = place_of(place, ratio, 0, t.far_) + (double)u[t.far_] - club[FACE_X];
      const double z = place_of(place, ratio, 2, t.far_) + (double)u[2 * NN + t.far_] - club[FACE_Z];
      shared[S_DEFORMATION] = fmax(shared[S_DEFORMATION], reach - (x * shared[S_COS] + z * shared[S_SIN]));
    }
    if (shared[S_ENDED] != 0) break;
  }
  double px = 0, pz = 0, spin = 0, mx = 0, mz = 0;
  FOR(i, NN) {
    const double m = mass[i], vx = from_fixed(p[i], unit), vz = from_fixed(p[2 * NN + i], unit);
    const double x = place_of(place, ratio, 0, i) + (double)u[i], z = place_of(place, ratio, 2, i) + (double)u[2 * NN + i];
    px += vx; pz += vz; mx += m * x; mz += m * z;
    spin += x * vz - z * vx;
  }
  px = block_sum(px, droom); pz = block_sum(pz, droom); mx = block_sum(mx, droom); mz = block_sum(mz, droom);
  spin = block_sum(spin, droom);
  px /= par[P_MASS]; pz /= par[P_MASS];
  if (SCRIBE) {
    out[O_VX] = px + par[P_FRAME_X]; out[O_VZ] = pz + par[P_FRAME_Z];
    out[O_SPIN] = 2.0 * (spin - pz * mx + px * mz) / par[P_INERTIA];
    out[O_ELAPSED] = time; out[O_FIRST] = shared[S_FIRST]; out[O_LAST] = shared[S_LAST]; out[O_GAP] = shared[S_GAP];
    out[O_DEFORMATION] = shared[S_DEFORMATION]; out[O_STEPS] = steps; out[O_ENDED] = shared[S_ENDED]; out[O_BROKEN] = broken;
    for (int k = 0; k < CLUB_ROWS; k++) out[O_CLUB + k] = club[k];
    out[O_CLUB + FACE_VX] += par[P_FRAME_X]; out[O_CLUB + HEAD_VX] += par[P_FRAME_X];
    out[O_CLUB + FACE_VZ] += par[P_FRAME_Z]; out[O_CLUB + HEAD_VZ] += par[P_FRAME_Z];
  }
  if (broken) {  // the least volume ratio of each layer tells which was crushed
    for (int l = 0; l < LAYERS; l++) {
      real most = -HUGE_REAL;
      FOR(e, EP) if (t.code[e] != 255 && (t.code[e] & 7) == l) most = fmax(most, or_huge(-state[e]));
      most = block_max(most, room);
      if (SCRIBE) out[O_LOWEST + l] = -(double)most;
    }
  }
  SYNC;
}

#ifdef __CUDACC__
extern "C" __device__ long sizes[3] = {FAST_BYTES, SLOW_SIZE * (long)sizeof(real), BUILD_SIZE};
extern "C" __global__ void __launch_bounds__(THREADS, BLOCKS)
march(const Topology* topology, const real* builds, const int* which, const double* pars, real* scratch, double* out, int n, int* queue) {
  extern __shared__ double fast[];
  __shared__ int mine;
  const Topology t = *topology;
  for (;;) {
    if (threadIdx.x == 0) mine = atomicAdd(queue, 1);
    __syncthreads();
    const int i = mine;
    __syncthreads();
    if (i >= n) break;
    impact(t, builds + (long)which[i] * BUILD_SIZE, pars + (long)i * PARS, fast, scratch + blockIdx.x * SLOW_SIZE, out + (long)i * OUTS);
  }
}
#else
extern "C" void march(const Topology* topology, const real* builds, const int* which, const double* pars, double* out, int n) {
  std::vector<double> fast(FAST_BYTES / 8 + 8);
  std::vector<real> slow(SLOW_SIZE);
  for (int i = 0; i < n; i++)
    impact(*topology, builds + (long)which[i] * BUILD_SIZE, pars + (long)i * PARS, fast.data(), slow.data(), out + (long)i * OUTS);
}
#endif
