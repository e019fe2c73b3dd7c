// What would keep a graphics card waiting as whole-array arithmetic. Compiled when first
// used, with CODE (unsigned char or unsigned short) and CHANNELS (1 or 3) defined. Each
// kernel does what the function of stacker/arrays does that is named above it.

#define TAPS 8
#define TILE 64
#define MOST_TILE_ROWS 16
#define PHASES 2048

__device__ __forceinline__ int clamped(int k, int n) {
    return k < 0 ? 0 : (k >= n ? n - 1 : k);
}

// energy.half_energy: one thread makes one place of the half-size maps.
extern "C" __global__ void half_energy(
    const CODE* raw, int height, int width, float scale, float* energy, float* luma)
{
    const int half_width = (width + 1) / 2, half_height = (height + 1) / 2;
    const int j = blockIdx.x * blockDim.x + threadIdx.x;
    const int i = blockIdx.y * blockDim.y + threadIdx.y;
    if (i >= half_height || j >= half_width) return;
    float light[4][4];
    for (int a = 0; a < 4; a++) {
        // Of an odd last row or column the square is that of the last pixel, twice: the
        // neighbours of a pixel beyond the edge are those of the pixel at the edge.
        const long long row = (long long)clamped(2 * i - 1 + a, height) * width;
        for (int b = 0; b < 4; b++) {
            const CODE* p = raw + (row + clamped(2 * j - 1 + b, width)) * CHANNELS;
            light[a][b] = CHANNELS == 1 ? scale * p[0]
                : scale * (0.2126f * p[0] + 0.7152f * p[1 % CHANNELS]
                           + 0.0722f * p[2 % CHANNELS]);
        }
    }
    const bool odd_row = 2 * i + 1 >= height, odd_column = 2 * j + 1 >= width;
    float sum = 0, mean = 0;
    for (int a = 0; a < 2; a++) {
        for (int b = 0; b < 2; b++) {
            const int r = odd_row ? 1 : 1 + a, c = odd_column ? 1 : 1 + b;
            const float lap = light[r - 1][c] + light[r + 1][c] + light[r][c - 1]
                + light[r][c + 1] - 4 * light[r][c];
            sum += lap * lap;
            mean += light[r][c];
        }
    }
    energy[(long long)i * half_width + j] = 0.25f * sum;
    luma[(long long)i * half_width + j] = 0.25f * mean;
}

// warping.warp_linear: one thread makes one place. Places beyond the map count as
// `outside`, or as the nearest edge where that is not a number.
extern "C" __global__ void warp_linear(
    const float* image, const double* m, int height, int width, int out_height,
    int out_width, float outside, float* out)
{
    const int j = blockIdx.x * blockDim.x + threadIdx.x;
    const int i = blockIdx.y * blockDim.y + threadIdx.y;
    if (i >= out_height || j >= out_width) return;
    const double depth = m[6] * j + m[7] * i + m[8];
    const double x = fmin(fmax((m[0] * j + m[1] * i + m[2]) / depth, -2.0), width + 1.0);
    const double y = fmin(fmax((m[3] * j + m[4] * i + m[5]) / depth, -2.0), height + 1.0);
    const int left = (int)floor(x), top = (int)floor(y);
    const float across = (float)(x - left), down = (float)(y - top);
    float value = 0;
    for (int b = 0; b < 2; b++) {
        for (int a = 0; a < 2; a++) {
            const int r = clamped(top + b, height), c = clamped(left + a, width);
            const bool is_inside = r == top + b && c == left + a;
            const float sample = is_inside || outside != outside
                ? image[(long long)r * width + c] : outside;
            value += (b ? down : 1 - down) * (a ? across : 1 - across) * sample;
        }
    }
    out[(long long)i * out_width + j] = value;
}

// lanczos.lanczos_weights, from a table of PHASES + 2 rows, linear between them.
__device__ __forceinline__ void weights_at(const float* table, float phase, float* w) {
    const float place = phase * PHASES;
    const int k = (int)place;
    const float far = place - k, near = 1 - far;
    const float* a = table + k * TAPS;
    for (int t = 0; t < TAPS; t++) w[t] = near * a[t] + far * a[t + TAPS];
}

// A value may leave the range of the two samples beside it by that range.
__device__ __forceinline__ float limited(float value, float a, float b) {
    const float low = fminf(a, b), high = fmaxf(a, b), spare = high - low;
    return fminf(fmaxf(value, low - spare), high + spare);
}

// weights.expanded at one pixel.
__device__ __forceinline__ float weight_at(
    const float* half, int rows, int columns, int r, int c)
{
    const int i = r / 2, j = c / 2;
    const long long here = (long long)i * columns;
    const long long there = (long long)clamped(r % 2 ? i + 1 : i - 1, rows) * columns;
    const int beside = clamped(c % 2 ? j + 1 : j - 1, columns);
    const float near = 0.75f * half[here + j] + 0.25f * half[there + j];
    const float far = 0.75f * half[here + beside] + 0.25f * half[there + beside];
    return 0.75f * near + 0.25f * far;
}

// lanczos.resampled, blending.on_curve and blending.add_frame: one block of threads makes
// TILE columns of `tile_rows` rows, where the frame has any weight. The values of the
// first pass lie in shared memory, `n_columns` to a row.
extern "C" __global__ void add_frame(
    const CODE* frame, const double* m, const float* curves, const float* table,
    const float* half, float to16, int height, int width, int tile_rows, int n_columns,
    float* total, unsigned char* range_low, unsigned char* range_high)
{
    extern __shared__ float middle[];
    __shared__ double line[MOST_TILE_ROWS][3];
    const int r0 = blockIdx.y * tile_rows, c0 = blockIdx.x * TILE;
    const int rows = min(tile_rows, height - r0), columns = min(TILE, width - c0);
    const int half_rows = (height + 1) / 2, half_columns = (width + 1) / 2;
    int has_weight = 0;
    for (int k = threadIdx.x; k < rows * TILE; k += blockDim.x) {
        const int r = r0 + k / TILE, c = c0 + k % TILE;
        if (k % TILE < columns)
            has_weight |= weight_at(half, half_rows, half_columns, r, c) != 0;
    }
    if (!__syncthreads_or(has_weight)) return;

    double leftmost = 1e30;
    for (int corner = 0; corner < 4; corner++) {
        const double c = corner % 2 ? c0 + TILE : c0;
        const double r = corner / 2 ? r0 + tile_rows : r0;
        const double x = (m[0] * c + m[1] * r + m[2]) / (m[6] * c + m[7] * r + m[8]);
        leftmost = fmin(leftmost, x);
    }
    const int first = (int)floor(leftmost) - TAPS / 2;
    // A projective transform takes a row of the master to a straight line in the frame.
    for (int i = threadIdx.x; i < rows; i += blockDim.x) {
        const double r = r0 + i;
        const double d0 = m[6] * c0 + m[7] * r + m[8];
        const double x0 = (m[0] * c0 + m[1] * r + m[2]) / d0;
        const double y0 = (m[3] * c0 + m[4] * r + m[5]) / d0;
        const double d1 = m[6] * (c0 + TILE) + m[7] * r + m[8];
        const double x1 = (m[0] * (c0 + TILE) + m[1] * r + m[2]) / d1;
        const double y1 = (m[3] * (c0 + TILE) + m[4] * r + m[5]) / d1;
        line[i][0] = x0;
        line[i][1] = y0;
        line[i][2] = (y1 - y0) / (x1 - x0);
    }
    __syncthreads();
    float w[TAPS];
    for (int k = threadIdx.x; k < rows * n_columns; k += blockDim.x) {
        const double* l = line[k / n_columns];
        const int column = clamped(first + k % n_columns, width);
        const double y = l[1] + l[2] * (column - l[0]);
        const double before = floor(y);
        weights_at(table, (float)(y - before), w);
        const int top = (int)fmin(fmax(before, -1e6), 1e6) - (TAPS / 2 - 1);
        float value[CHANNELS], above[CHANNELS], below[CHANNELS];
        for (int ch = 0; ch < CHANNELS; ch++) value[ch] = above[ch] = below[ch] = 0;
        for (int t = 0; t < TAPS; t++) {
            const long long row = clamped(top + t, height);
            const CODE* p = frame + (row * width + column) * CHANNELS;
            for (int ch = 0; ch < CHANNELS; ch++) {
                const float sample = p[ch];
                value[ch] += w[t] * sample;
                if (t == TAPS / 2 - 1) above[ch] = sample;
                if (t == TAPS / 2) below[ch] = sample;
            }
        }
        for (int ch = 0; ch < CHANNELS; ch++)
            middle[k * CHANNELS + ch] = limited(value[ch], above[ch], below[ch]);
    }
    __syncthreads();
    for (int k = threadIdx.x; k < rows * TILE; k += blockDim.x) {
        const int i = k / TILE, r = r0 + i, c = c0 + k % TILE;
        if (c >= width) continue;
        const float weight = weight_at(half, half_rows, half_columns, r, c);
        if (weight == 0) continue;
        const double x = (m[0] * c + m[1] * r + m[2]) / (m[6] * c + m[7] * r + m[8]);
        const double before = floor(x);
        weights_at(table, (float)(x - before), w);
        const int slot = (int)(before - first) - (TAPS / 2 - 1);
        const float* p = middle + ((long long)i * n_columns + slot) * CHANNELS;
        for (int ch = 0; ch < CHANNELS; ch++) {
            float value = 0;
            for (int t = 0; t < TAPS; t++) value += w[t] * p[t * CHANNELS + ch];
            value = limited(value, p[(TAPS / 2 - 1) * CHANNELS + ch],
                            p[TAPS / 2 * CHANNELS + ch]);
            const float code = fminf(fmaxf(value * to16, 0.0f), 65535.0f) + 0.5f;
            value = curves[ch * 65536 + (int)code];
            const long long at = ((long long)r * width + c) * CHANNELS + ch;
            total[at] += weight * value;
            if (weight > 0.05f) {
                const int low = (int)(value * 255);
                const int high = min((int)(value * 255 + 0.999f), 255);
                range_low[at] = min((int)range_low[at], low);
                range_high[at] = max((int)range_high[at], high);
            }
        }
    }
}
