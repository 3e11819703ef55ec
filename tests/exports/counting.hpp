// Counts operations of C code that is compiled as C++: float and int become classes that count.
#pragma once
#include <cstdio>
#include <cstring>
#include <float.h>
#include <stdbool.h>

static long counted = 0;

template <typename T> struct Number {
    T x;
    Number() = default;
    constexpr Number(T value) : x(value) {}
    template <typename U> explicit constexpr Number(Number<U> other) : x((T)other.x) {}
};
template <> struct Number<int> { // an index of arrays as well
    int x;
    Number() = default;
    constexpr Number(int value) : x(value) {}
    template <typename U> explicit constexpr Number(Number<U> other) : x((int)other.x) {}
    constexpr operator int() const { return x; }
};

typedef float real_float;
typedef int real_int;

#define OPERATION(T, R, op)                                                                        \
    inline R operator op(Number<T> a, Number<T> b) { ++counted; return R(a.x op b.x); }            \
    inline R operator op(Number<T> a, T b) { ++counted; return R(a.x op b); }                      \
    inline R operator op(T a, Number<T> b) { ++counted; return R(a op b.x); }
#define ASSIGNMENT(T, op)                                                                          \
    inline Number<T> &operator op(Number<T> &a, Number<T> b) { ++counted; a.x op b.x; return a; }  \
    inline Number<T> &operator op(Number<T> &a, T b) { ++counted; a.x op b; return a; }
#define OPERATIONS(T)                                                                              \
    OPERATION(T, Number<T>, +) OPERATION(T, Number<T>, -) OPERATION(T, Number<T>, *)               \
    OPERATION(T, Number<T>, /) OPERATION(T, bool, <) OPERATION(T, bool, >) OPERATION(T, bool, <=)  \
    OPERATION(T, bool, >=) OPERATION(T, bool, ==) OPERATION(T, bool, !=) ASSIGNMENT(T, +=)         \
    ASSIGNMENT(T, -=) ASSIGNMENT(T, *=) ASSIGNMENT(T, /=)
OPERATIONS(real_float)
OPERATIONS(real_int)
OPERATION(real_int, Number<real_int>, %)
inline Number<real_int> &operator++(Number<real_int> &a) { ++counted; ++a.x; return a; }
inline Number<real_int> &operator--(Number<real_int> &a) { ++counted; --a.x; return a; }
inline const real_float *operator+(const real_float *a, Number<real_int> b) { ++counted; return a + b.x; }
inline const Number<real_float> *operator+(const Number<real_float> *a, Number<real_int> b)
{
    ++counted;
    return a + b.x;
}

#define float Number<real_float>
#define int Number<real_int>
#define main start(real_int, char **); real_int main
