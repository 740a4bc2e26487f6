"""Shadows by numeric Fresnel propagation (numpy FFT), the reference of src/diffraction.rs.

Run: python3 fresnel.py   (needs numpy; takes about a minute)
Prints centre depth and the light lost inside r, in units of the mote's area, on a 0.5 um grid of 2 mm.
"""
import numpy as np
def dep(a,h,N,lams,L=2048.,n=4096):
    dx=L/n; x=(np.arange(n)-n/2)*dx; X,Y=np.meshgrid(x,x); R=np.hypot(X,Y)
    # soft edges by supersample approx
    m=np.clip((a/2-R)/dx+.5,0,1)
    f=np.fft.fftfreq(n,dx); FX,FY=np.meshgrid(f,f); F2=FX**2+FY**2
    M=np.fft.fft2(np.fft.ifftshift(m)); D=0
    for l in lams:
        V=np.fft.ifft2(M*np.exp(-1j*np.pi*l*h*F2)); D=D+(2*V.real-abs(V)**2)/len(lams)
    b=h/N; P=np.clip((b/2-R)/dx+.5,0,1); P/=P.sum()
    D=np.fft.fftshift(np.fft.ifft2(np.fft.fft2(D)*np.fft.fft2(np.fft.ifftshift(P))).real)
    A=np.pi*a*a/4
    return D,R,dx,A
for a,h,N,l in [(20,1000,16,[.55]),(10,700,16,[.45,.55,.65]),(10,700,16,[.43,.46,.49,.505,.535,.565,.575,.605,.635])]:
    D,R,dx,A=dep(a,h,N,l); n=D.shape[0]
    print(a,h,N,'depth0',D[n//2,n//2],[ (r,round(D[R<r].sum()*dx*dx/A,3)) for r in (25,31,41,41.25,60,120,200)])
