#!/bin/sh
# Tones distorted by programs that others wrote, with formulas from their source texts (see test_distortion.py).
# Made once with ffmpeg 5.1.9 and sox 14.4.2 of Debian 12; the tests read the files, not the programs.
#   ffmpeg af_asoftclip: tanh(p x); (2 / pi) atan(p x); x - 0.1481 x^3 below 1.5
#   sox overdrive.c, gain g, colour 0: 0.5 x + 0.75 highpass(d - d^3 / 3), d = g x, within +-1;
#     highpass: y[n] = d[n] - d[n-1] + 0.995 y[n-1]
set -eu
cd "$(dirname "$0")"
tone='aevalsrc=0.8*sin(2*PI*997.3*t):s=48000:d=0.5'
for shape in tanh:param=2 atan:param=2 cubic; do
    name=${shape%%:*}
    ffmpeg -v error -y -f lavfi -i "$tone" -af "asoftclip=type=$shape" -c:a flac -sample_fmt s32 \
        -bits_per_raw_sample 24 "asoftclip_$name.flac"
done
sox -R -n -r 48000 -b 24 overdrive.flac synth 0.7 sine 997.3 gain -6.0205999 overdrive 6 0
